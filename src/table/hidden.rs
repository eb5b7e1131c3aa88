//! The rows of a workbook's sheet that are hidden, which the reader of its cells does not say. What cannot be read here is
//! passed over: the cells themselves are read elsewhere, and whatever is wrong is said there.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufReader, Cursor, Read};

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use zip::ZipArchive;

/// An archive in memory.
pub(super) type Archive<'b> = ZipArchive<Cursor<&'b [u8]>>;

/// The lines, from 1, of the sheet's rows that are hidden.
pub(super) fn hidden_rows(archive: &mut Archive<'_>, sheet: &str) -> BTreeSet<u32> {
    let (mut hidden, mut line) = (BTreeSet::new(), 0);
    let Some(path) = path_of(archive, sheet) else { return hidden };
    each(archive, &path, |tag| {
        if tag.local_name().as_ref() == "row" {
            line = attribute(tag, "r").and_then(|text| text.parse().ok()).unwrap_or(line + 1);
            let is_hidden = attribute(tag, "hidden").is_some_and(|text| text == "1" || text == "true");
            hidden.extend(Some(line).filter(|_| is_hidden));
        }
    });
    hidden
}

/// The entry of the archive that holds the sheet (ECMA-376: the workbook names a relationship, and that the entry).
fn path_of(archive: &mut Archive<'_>, sheet: &str) -> Option<String> {
    let workbook = archive.file_names().flatten().find(|name| name.ends_with("workbook.xml"))?.into_owned();
    let (folder, file) = workbook.rsplit_once('/').map_or(("", &*workbook), |(folder, file)| (folder, file));
    let under = |path: &str| if folder.is_empty() { path.to_owned() } else { format!("{folder}/{path}") };
    let mut relation = None;
    each(archive, &workbook, |tag| {
        if tag.local_name().as_ref() == "sheet" && attribute(tag, "name").as_deref() == Some(sheet) {
            relation = attribute(tag, "id");
        }
    });
    let mut targets = BTreeMap::new();
    each(archive, &under(&format!("_rels/{file}.rels")), |tag| {
        targets.extend(attribute(tag, "Id").zip(attribute(tag, "Target")));
    });
    let target = targets.remove(&relation?)?;
    Some(target.strip_prefix('/').map_or_else(|| under(&target), str::to_owned))
}

/// Every start of an element in an entry of the archive, as far as it can be read.
fn each(archive: &mut Archive<'_>, path: &str, mut seen: impl FnMut(&BytesStart<'_>)) {
    let Ok(entry) = archive.by_name(path) else { return };
    let mut reader = Reader::from_reader(BufReader::new(entry.take(super::bounds::UNPACKED_BYTES)));
    let mut buffer = Vec::new();
    loop {
        buffer.clear();
        match reader.read_event_into(&mut buffer) {
            Ok(Event::Start(tag) | Event::Empty(tag)) => seen(&tag),
            Ok(Event::Eof) | Err(_) => return,
            Ok(_) => {}
        }
    }
}

/// The value of an attribute, whatever namespace it is in.
fn attribute(tag: &BytesStart<'_>, name: &str) -> Option<String> {
    let found = tag.attributes().flatten().find(|one| one.key.local_name().as_ref() == name)?;
    found.normalized_value(quick_xml::XmlVersion::Implicit1_0).ok().map(|value| value.into_owned())
}
