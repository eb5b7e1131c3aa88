//! The guide as one HTML page: no script, nothing fetched, fit for a phone and for paper.

use std::fmt::Write;

use pulldown_cmark::{CowStr, Event, HeadingLevel, Options, Parser, Tag, TagEnd, html};

use super::plain::file_of;
use super::topic::Topic;

/// The style of the page: browsers are told to use no other.
pub const STYLE: &str = "\
:root{color-scheme:light dark;font:1rem/1.5 system-ui,sans-serif}\
body{margin:0 auto;max-width:46rem;padding:1rem}\
h1{font-size:1.6rem}h2{font-size:1.3rem;margin-top:2.5rem}h3{font-size:1.1rem}\
pre{overflow-x:auto;padding:.75rem;border:1px solid;border-radius:.25rem;line-height:1.35}\
code{font-family:ui-monospace,monospace;font-size:.9em}\
.wide{overflow-x:auto}table{border-collapse:collapse;width:100%}\
th,td{text-align:left;vertical-align:top;padding:.3rem .6rem .3rem 0;border-bottom:1px solid}\
td code{overflow-wrap:anywhere}\
@media print{pre{white-space:pre-wrap}h2,h3{break-after:avoid}}";

/// A page of all topics, each with its Markdown.
pub(super) fn html(markdown: impl Fn(Topic) -> String) -> String {
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>stationkeep {version}: the guide</title>\n<style>{style}</style>\n</head>\n<body>\n<main>\n\
         <h1>stationkeep {version}: the guide</h1>\n<nav aria-label=\"Topics\">\n<ul>\n",
        version = env!("CARGO_PKG_VERSION"),
        style = STYLE,
    );
    for topic in Topic::ALL {
        let _ = writeln!(page, "<li><a href=\"#{topic}\">{topic}</a>: {}</li>", topic.about());
    }
    page.push_str("</ul>\n</nav>\n");
    for topic in Topic::ALL {
        let _ = writeln!(page, "<section id=\"{topic}\">");
        html::push_html(&mut page, events(&markdown(topic)).into_iter());
        page.push_str("</section>\n");
    }
    page.push_str("</main>\n</body>\n</html>\n");
    page
}

/// A topic's events, its headings one level lower, since the page has a heading of its own; wide tables scroll by
/// themselves.
fn events(markdown: &str) -> Vec<Event<'_>> {
    let lower = |level| match level {
        HeadingLevel::H1 => HeadingLevel::H2,
        HeadingLevel::H2 => HeadingLevel::H3,
        HeadingLevel::H3 => HeadingLevel::H4,
        HeadingLevel::H4 => HeadingLevel::H5,
        HeadingLevel::H5 | HeadingLevel::H6 => HeadingLevel::H6,
    };
    let mut all = Vec::new();
    for event in Parser::new_ext(markdown, Options::ENABLE_TABLES) {
        match event {
            Event::Start(Tag::Heading { level, id, classes, attrs }) => {
                all.push(Event::Start(Tag::Heading { level: lower(level), id, classes, attrs }));
            }
            Event::End(TagEnd::Heading(level)) => all.push(Event::End(TagEnd::Heading(lower(level)))),
            Event::Start(Tag::Table(columns)) => {
                // What scrolls must be reachable by keyboard.
                let open = "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Table\">\n";
                all.push(Event::Html(CowStr::Borrowed(open)));
                all.push(Event::Start(Tag::Table(columns)));
            }
            Event::End(TagEnd::Table) => {
                all.push(Event::End(TagEnd::Table));
                all.push(Event::Html(CowStr::Borrowed("</div>\n")));
            }
            Event::Start(Tag::CodeBlock(kind)) => {
                if let Some(file) = file_of(&kind) {
                    let named = format!("File {file}:");
                    all.push(Event::Start(Tag::Paragraph));
                    all.push(Event::Text(named.into()));
                    all.push(Event::End(TagEnd::Paragraph));
                }
                all.push(Event::Start(Tag::CodeBlock(kind)));
            }
            other => all.push(other),
        }
    }
    all
}
