//! Trees: types stay, nothing breaks the JSON, everything is bounded, and what fails says where.

use serde_json::json;

use super::*;
use crate::alert::body::{own, sample};

fn at(line: u32) -> Place {
    Place { file: "stationkeep.yaml".into(), line, column: 9, length: 1 }
}

fn leaf(text: &str) -> Template {
    compile(text, at(7)).unwrap_or_else(|failure| panic!("{failure}"))
}

fn tree(root: Template) -> Tree {
    Tree { root, at: at(5) }
}

fn made(text: &str, variables: Json) -> Result<Json, Failure> {
    tree(leaf(text)).render(variables)
}

#[test]
fn a_leaf_that_is_one_expression_keeps_its_type_and_a_text_stays_text() {
    let variables = json!({"n": 3, "is": true, "list": [1, "a"], "text": "1e5", "none": null});
    for (text, value) in [
        ("{{ n }}", json!(3)),
        ("{{ is }}", json!(true)),
        ("{{ list }}", json!([1, "a"])),
        ("{{ none }}", json!(null)),
        ("{{ text }}", json!("1e5")),
        ("{{ list | length }}", json!(2)),
        ("{{ n == 3 }}", json!(true)),
        ("{{ n }} of {{ list | length }}", json!("3 of 2")),
        ("{% if is %}yes{% else %}no{% endif %}", json!("yes")),
        ("{{ 'a' if is else 'b' }}", json!("a")),
        ("{{ missing | default('-') }}", json!("-")),
        ("{{ text | upper }}", json!("1E5")),
        ("{{ 'abcdef' | truncate(4) }}", json!("abc…")),
        ("{{ list | join(', ') }}", json!("1, a")),
        ("{{ '2026-12-10T14:05:31Z' | date }}", json!("2026-12-10 14:05 UTC")),
        ("no template: true", json!("no template: true")),
    ] {
        assert_eq!(made(text, variables.clone()), Ok(value), "{text}");
    }
}

#[test]
fn what_a_value_says_is_never_a_template_or_another_value() {
    for text in ["{{ 7*7 }}", "{% endif %}", "\"}, {\"a\": 1", "line\nline\u{2028}", "\\", "0121"] {
        assert_eq!(made("{{ x }}", json!({"x": text})), Ok(json!(text)));
        assert_eq!(made("<{{ x }}>", json!({"x": text})), Ok(json!(format!("<{text}>"))));
    }
}

#[test]
fn a_list_is_made_from_another_and_no_longer_than_said() {
    let put = Box::new(Template::Map(vec![
        ("name".into(), leaf("{{ one.station | upper }}")),
        ("of".into(), leaf("{{ fleet }}")),
    ]));
    let list = Leaf::expression("{{ data.opened }}", at(9)).unwrap();
    let tree = tree(Template::Each { list, name: "one".into(), most: 2, put });
    let data = json!({"opened": [{"station": "a"}, {"station": "b"}, {"station": "c"}]});
    let expected = json!([{"name": "A", "of": "x"}, {"name": "B", "of": "x"}]);
    assert_eq!(tree.render(json!({"fleet": "x", "data": data})), Ok(expected));
    let failure = tree.render(json!({"fleet": "x", "data": {"opened": 3}})).unwrap_err();
    assert_eq!((failure.at.line, &*failure.why), (9, "it is not a list"));
}

#[test]
fn what_is_not_there_fails_at_its_leaf() {
    for text in
        ["{{ missing }}", "a {{ missing }}", "{{ x.missing }}", "{{ x.missing.more }}", "{% if missing %}a{% endif %}"]
    {
        let failure = made(text, json!({"x": {}})).unwrap_err();
        assert_eq!(failure.at.line, 7, "{text}");
    }
    for text in ["{{ x", "{{ x | shout }}", "{% if %}", "{% include 'a' %}", "{{ f( }}"] {
        let failure = compile(text, at(7)).map(|_| made(text, json!({"x": 1})));
        assert!(!matches!(failure, Ok(Ok(_))), "{text}");
    }
}

#[test]
fn no_template_runs_or_writes_without_end() {
    let loops = "{% for a in [1,2,3,4,5,6,7,8,9] %}".repeat(9) + "x" + &"{% endfor %}".repeat(9);
    let long = "{{ x ~ x ~ x ~ x ~ x ~ x ~ x ~ x }}";
    let begun = std::time::Instant::now();
    assert!(made(&loops, json!({})).unwrap_err().why.contains("too many steps"));
    assert!(made(long, json!({"x": "y".repeat(5_000)})).unwrap_err().why.contains("bytes"));
    let many = Template::List((0..1_500).map(|_| leaf("{{ 1 }}")).collect());
    assert!(tree(many).render(json!({})).unwrap_err().why.contains("more than 1000 leaves"));
    assert!(begun.elapsed().as_secs() < 5, "{:?}", begun.elapsed());
}

#[test]
fn every_variable_is_there_in_every_event() {
    let parts = crate::alert::body::VARIABLES.map(|name| (name.to_owned(), leaf(&format!("{{{{ {name} }}}}"))));
    let data = Template::Value(Leaf { source: "data.summary".into(), at: at(7) });
    let parts = parts.into_iter().map(|(name, part)| if name == "data" { (name, data.clone()) } else { (name, part) });
    let tree = tree(Template::Map(parts.collect()));
    assert!(sample::messages().len() > 40);
    for message in sample::messages() {
        let body: Json =
            serde_json::from_str(&own(&tree, message).unwrap_or_else(|failure| panic!("{failure}"))).unwrap();
        assert_eq!(body["text"], body["data"], "{body}");
        assert!(["critical", "error", "warning", "info"].contains(&body["severity"].as_str().unwrap()), "{body}");
        assert!(body["key"].as_str().is_some_and(|key| (1..=255).contains(&key.len())), "{body}");
    }
}
