//! The pictures in README are what the program prints, drawn as SVG. `STATIONKEEP_PICTURES=renew` draws them again.

use std::fmt::Write;
use std::fs;

use super::tour::{Place, root};

/// Columns of text, and the height of a line.
const COLUMNS: usize = 80;
const LINE: usize = 18;
const CHARACTER: usize = 8;

/// The lines of a text as a picture. What is on record by an id of this one run is left out.
fn svg(title: &str, lines: &[String]) -> String {
    let (width, height) = (COLUMNS * CHARACTER + 24, lines.len() * LINE + 20);
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"{title}\">\n\
         <style>rect{{fill:#fdfcf8;stroke:#8a8f99}}text{{font:13px ui-monospace,'DejaVu Sans Mono',monospace;fill:#14171c;\
         white-space:pre}}@media(prefers-color-scheme:dark){{rect{{fill:#15181d}}text{{fill:#f3f4f6}}}}</style>\n\
         <rect x=\".5\" y=\".5\" width=\"{}\" height=\"{}\" rx=\"6\"/>\n",
        width - 1,
        height - 1
    );
    for (nth, line) in lines.iter().enumerate() {
        let line = line.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
        let _ = writeln!(text, "<text x=\"12\" y=\"{}\" xml:space=\"preserve\">{line}</text>", (nth + 1) * LINE + 6);
    }
    text.push_str("</svg>\n");
    text
}

fn without_digest(line: String) -> String {
    match line.strip_prefix("script ").and_then(|rest| rest.split_once(',')) {
        Some((_, rest)) => format!("script …,{rest}"),
        None => line,
    }
}

#[test]
fn the_pictures_in_the_readme_are_what_the_program_prints() {
    let place = Place::sample();
    let drift = place.run("stationkeep drift EQ-02");
    let card = place.run("stationkeep script EQ-02");
    let end = card.iter().position(|line| line.starts_with("REPORT BACK")).expect("the report");
    // The test's clock is set by hand; a reader's is not.
    let card = card[..end - 1].iter().filter(|line| !line.starts_with("REHEARSAL"));
    let card: Vec<String> = card.cloned().map(without_digest).collect();
    let readme = fs::read_to_string(root().join("README.md")).expect("README.md");
    for (name, title, lines) in
        [("drift", "What drift shows of one station", drift), ("card", "The card of one station", card)]
    {
        let path = format!("config/pictures/{name}.svg");
        assert!(readme.contains(&path), "README shows {path}");
        let drawn = svg(title, &lines);
        if std::env::var_os("STATIONKEEP_PICTURES").is_some_and(|value| value == "renew") {
            fs::create_dir_all(root().join("config/pictures")).expect("a folder");
            fs::write(root().join(&path), &drawn).expect("a picture");
        }
        let kept = fs::read_to_string(root().join(&path)).unwrap_or_default();
        assert!(kept == drawn, "renew it: STATIONKEEP_PICTURES=renew cargo test --test docs picture");
        assert!(drawn.len() < 8_000, "{name} is small");
    }
}
