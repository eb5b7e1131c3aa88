//! Which file systems report no events for what other machines change on them.

use std::path::{Path, PathBuf};

/// Types whose files can change behind the kernel's back (their names in `/proc/self/mountinfo`; from memory).
const SILENT: [&str; 16] = [
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "9p",
    "ceph",
    "afs",
    "lustre",
    "glusterfs",
    "gfs2",
    "ocfs2",
    "virtiofs",
    "vboxsf",
    "prl_fs",
    "fuse",
];

/// The mounted file systems.
#[derive(Debug, Default)]
pub(super) struct Mounts(Vec<(PathBuf, String)>);

impl Mounts {
    /// Those of this process; none where the system does not say.
    pub fn now() -> Mounts {
        std::fs::read_to_string("/proc/self/mountinfo").map(|text| Mounts::parse(&text)).unwrap_or_default()
    }

    /// The text of `/proc/self/mountinfo` (proc_pid_mountinfo(5)): the fifth field is the mount point, the first after
    /// a lone hyphen the type.
    pub fn parse(text: &str) -> Mounts {
        let mount = |line: &str| {
            let (left, right) = line.split_once(" - ")?;
            Some((PathBuf::from(plain(left.split(' ').nth(4)?)), right.split(' ').next()?.to_owned()))
        };
        Mounts(text.lines().filter_map(mount).collect())
    }

    /// The type of the file system a path lies on, where that type may keep changes to itself.
    pub fn silent(&self, path: &Path) -> Option<&str> {
        let holds = self.0.iter().filter(|(point, _)| path.starts_with(point));
        // Of two at one point the later covers the earlier; `max_by_key` takes the last of equals.
        let (_, kind) = holds.max_by_key(|(point, _)| point.components().count())?;
        (SILENT.contains(&kind.as_str()) || kind.starts_with("fuse.")).then_some(kind)
    }
}

/// A mount point without the octal escapes of blanks (`\040`).
fn plain(field: &str) -> String {
    [("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")]
        .iter()
        .fold(field.to_owned(), |text, (escape, sign)| text.replace(escape, sign))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_on_a_network_share_is_told_from_one_on_a_disk() {
        let mounts = Mounts::parse(
            "22 1 254:0 / / rw,relatime - ext4 /dev/vda rw\n\
             40 22 0:45 / /srv/fleet\\040files rw,relatime shared:9 - nfs4 host:/x rw,vers=4.2\n\
             41 40 0:46 / /srv/fleet\\040files/local rw - tmpfs tmpfs rw\n\
             42 22 0:47 / /mnt/far rw master:1 - fuse.sshfs u@h: rw\n",
        );
        assert_eq!(mounts.silent(Path::new("/srv/fleet files/inventory")), Some("nfs4"));
        assert_eq!(mounts.silent(Path::new("/srv/fleet files/local/x")), None);
        assert_eq!(mounts.silent(Path::new("/mnt/far/x")), Some("fuse.sshfs"));
        assert_eq!(mounts.silent(Path::new("/srv/fleet filesystem")), None);
        assert_eq!(Mounts::parse("nonsense\n\n - \n").silent(Path::new("/")), None);
    }
}
