//! Findings as SARIF 2.1.0 (OASIS), so that a forge can mark the lines of a change.
//!
//! Places are relative to the top of the work tree that holds the configuration, as forges expect them, or else to the
//! configuration's folder. Columns count Unicode code points, as everywhere here. It reads no file.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value as Json, json};

use crate::finding::{Code, Finding, Place};
use crate::setting::content_sha;

/// The published schema of the format.
const SCHEMA: &str = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json";

/// What relative places start from.
const ROOT: &str = "SRCROOT";

/// Where the files of findings are.
pub struct Sources<'a> {
    /// What relative places start from: an absolute path.
    pub root: &'a Path,
    /// The absolute path of a file as findings name it.
    pub path: &'a dyn Fn(&str) -> PathBuf,
    /// Its text, where that is at hand.
    pub text: &'a dyn Fn(&str) -> Option<&'a str>,
}

/// One run of `check` as a SARIF log.
pub fn log(findings: &[Finding], sources: &Sources<'_>) -> Json {
    let used: BTreeSet<Code> = findings.iter().map(|finding| finding.code).collect();
    let rules: Vec<Code> = used.into_iter().collect();
    let lines = Lines::of(findings, sources);
    let mut seen = BTreeMap::new();
    let results = findings.iter().map(|finding| {
        let mut json = result(finding, &lines);
        json["ruleIndex"] = rules.binary_search(&finding.code).unwrap_or_default().into();
        json["partialFingerprints"] = json!({ "stationkeepFinding/v1": fingerprint(finding, &mut seen) });
        json
    });
    let root = uri_of(sources.root, true);
    json!({
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [{
            "tool": {"driver": {
                "name": env!("CARGO_PKG_NAME"),
                "semanticVersion": env!("CARGO_PKG_VERSION"),
                "rules": rules.iter().map(|code| rule(*code)).collect::<Vec<_>>(),
            }},
            "invocations": [{"executionSuccessful": true}],
            "originalUriBaseIds": {ROOT: {"uri": root}},
            "columnKind": "unicodeCodePoints",
            "results": results.collect::<Vec<_>>(),
        }],
    })
}

fn rule(code: Code) -> Json {
    let explanation = code.explanation();
    let first = explanation.split_inclusive(['.', ':']).next().unwrap_or(explanation);
    json!({
        "id": code.as_str(),
        "shortDescription": {"text": format!("{}.", first.trim_end_matches(['.', ':']))},
        "fullDescription": {"text": explanation},
        "help": {"text": explanation},
        "defaultConfiguration": {"level": code.severity().to_string()},
    })
}

fn result(finding: &Finding, lines: &Lines<'_, '_>) -> Json {
    let mut json = json!({
        "ruleId": finding.code.as_str(),
        "level": finding.severity.to_string(),
        "message": {"text": format!("{} {}", finding.message, finding.fix).trim_end()},
        "locations": [{"physicalLocation": lines.physical(&finding.place)}],
    });
    if !finding.related.is_empty() {
        let related = finding.related.iter().zip(1..).map(|((place, what), id)| {
            json!({"id": id, "physicalLocation": lines.physical(place), "message": {"text": what}})
        });
        json["relatedLocations"] = related.collect();
    }
    if let Some(replacement) = &finding.replacement {
        json["fixes"] = json!([{
            "description": {"text": finding.fix},
            "artifactChanges": [{
                "artifactLocation": lines.artifact(&finding.place.file),
                "replacements": [{
                    "deletedRegion": lines.region(&finding.place),
                    "insertedContent": {"text": replacement},
                }],
            }],
        }]);
    }
    json
}

/// The same while the finding stays, wherever its line moves to; the nth of equal ones has one of its own.
fn fingerprint(finding: &Finding, seen: &mut BTreeMap<String, u32>) -> String {
    let said = [finding.code.as_str(), &finding.place.file, &finding.message].join("\0");
    let digest = content_sha(said.as_bytes()).chars().take(32).collect::<String>();
    let nth = seen.entry(digest.clone()).or_insert(0);
    *nth += 1;
    format!("{digest}:{nth}")
}

/// How long the lines of the files are that findings point into, and where those files are.
struct Lines<'a, 'g> {
    sources: &'a Sources<'g>,
    lengths: BTreeMap<Arc<str>, Vec<u32>>,
}

impl<'a, 'g> Lines<'a, 'g> {
    fn of(findings: &[Finding], sources: &'a Sources<'g>) -> Lines<'a, 'g> {
        let mut lengths = BTreeMap::new();
        let places = findings.iter().flat_map(|f| std::iter::once(&f.place).chain(f.related.iter().map(|(p, _)| p)));
        for place in places {
            let Some(text) = (sources.text)(&place.file) else { continue };
            let measured = || text.lines().map(|l| u32::try_from(l.chars().count()).unwrap_or(u32::MAX)).collect();
            lengths.entry(place.file.clone()).or_insert_with(measured);
        }
        Lines { sources, lengths }
    }

    fn physical(&self, place: &Place) -> Json {
        json!({ "artifactLocation": self.artifact(&place.file), "region": self.region(place) })
    }

    fn artifact(&self, file: &str) -> Json {
        let path = (self.sources.path)(file);
        match path.strip_prefix(self.sources.root) {
            Ok(inside) if inside.as_os_str().is_empty() => json!({ "uri": ".", "uriBaseId": ROOT }),
            Ok(inside) => json!({ "uri": encoded(inside), "uriBaseId": ROOT }),
            Err(_) => json!({ "uri": uri_of(&path, false) }),
        }
    }

    /// The marked span as far as it goes on its first line; the line alone where the finding concerns the whole file.
    fn region(&self, place: &Place) -> Json {
        if place.length == 0 {
            return json!({ "startLine": place.line });
        }
        let length = place.line.checked_sub(1).and_then(|nth| self.lengths.get(&place.file)?.get(nth as usize));
        let end = place.column.saturating_add(place.length);
        let end = length.map_or(end, |length| end.min(length + 1)).max(place.column);
        json!({ "startLine": place.line, "startColumn": place.column, "endColumn": end })
    }
}

/// A `file:` URI (RFC 8089); that of a folder ends with a slash.
fn uri_of(path: &Path, folder: bool) -> String {
    let text = encoded(path);
    let slash = if folder && !text.ends_with('/') { "/" } else { "" };
    format!("file://{text}{slash}")
}

/// A path as part of a URI: everything but unreserved characters and slashes is escaped (RFC 3986, 2.3).
fn encoded(path: &Path) -> String {
    let mut out = String::new();
    for byte in path.as_os_str().as_bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => out.push(char::from(*byte)),
            other => {
                let _ = write!(out, "%{other:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(file: &str, line: u32, column: u32, length: u32) -> Finding {
        let place = Place { file: file.into(), line, column, length };
        Finding::new(Code::Unquoted, place, "The number is not quoted: 1.", "Put it in double quotes: \"1\".")
    }

    fn logged(findings: &[Finding]) -> Json {
        let path = |file: &str| Path::new("/srv/fleet of ours/config").join(file);
        let text = |_: &str| Some("первый: 1\nb: {c: 2,\n  d: 3}\n");
        log(findings, &Sources { root: Path::new("/srv/fleet of ours"), path: &path, text: &text })
    }

    #[test]
    fn places_are_relative_to_the_root_and_count_code_points() {
        let json = logged(&[finding("in/ä #1.yaml", 1, 9, 1)]);
        let run = &json["runs"][0];
        assert_eq!(run["originalUriBaseIds"][ROOT]["uri"], "file:///srv/fleet%20of%20ours/");
        let place = &run["results"][0]["locations"][0]["physicalLocation"];
        assert_eq!(place["artifactLocation"], json!({"uri": "config/in/%C3%A4%20%231.yaml", "uriBaseId": ROOT}));
        assert_eq!(place["region"], json!({"startLine": 1, "startColumn": 9, "endColumn": 10}));
    }

    #[test]
    fn a_span_of_several_lines_ends_with_its_first() {
        let json = logged(&[finding("a.yaml", 2, 4, 14)]);
        let region = &json["runs"][0]["results"][0]["locations"][0]["physicalLocation"]["region"];
        assert_eq!(*region, json!({"startLine": 2, "startColumn": 4, "endColumn": 10}));
    }

    #[test]
    fn a_file_outside_the_root_is_named_in_full() {
        let json = logged(&[finding("/etc/x.yaml", 1, 1, 0)]);
        let place = &json["runs"][0]["results"][0]["locations"][0]["physicalLocation"];
        assert_eq!(place["artifactLocation"], json!({"uri": "file:///etc/x.yaml"}));
        assert_eq!(place["region"], json!({"startLine": 1}));
    }

    #[test]
    fn a_fingerprint_stays_when_the_line_moves_and_tells_equal_findings_apart() {
        let prints = |findings: &[Finding]| {
            let json = logged(findings);
            let results = json["runs"][0]["results"].as_array().unwrap().clone();
            results.iter().map(|r| r["partialFingerprints"]["stationkeepFinding/v1"].to_string()).collect::<Vec<_>>()
        };
        let [one, two] = [prints(&[finding("a.yaml", 1, 1, 1)]), prints(&[finding("a.yaml", 9, 4, 1)])];
        assert_eq!(one, two);
        let both = prints(&[finding("a.yaml", 1, 1, 1), finding("a.yaml", 2, 1, 1)]);
        assert_ne!(both[0], both[1]);
        assert_ne!(one, prints(&[finding("b.yaml", 1, 1, 1)]));
    }
}
