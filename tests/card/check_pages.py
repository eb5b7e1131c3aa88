"""Parses every page of a folder by html5lib (PyPI, the WHATWG's parsing rules) in its strict mode, which takes no error, and
checks what a page needs to be read aloud and to fetch nothing, but for the program's own script that sends what waits.

    VENV/bin/python tests/card/check_pages.py FOLDER

Exit: 0 no fault, 1 faults, which are printed.
"""

import re
import sys
from pathlib import Path

import html5lib
from html5lib.html5parser import ParseError

FETCHING = {"script", "img", "link", "iframe", "object", "embed", "video", "audio", "form", "base"}


# The start page's, beside the cards.
SENDER = re.compile("card/[0-9a-f]{16}/waiting[.]js")


def is_sender(element):
    known = {"type": "module", "src": element.get("src", "")}
    return element.tag == "script" and element.attrib == known and SENDER.fullmatch(known["src"]) and not element.text


def faults(text):
    try:
        root = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    except ParseError as error:
        yield f"html5lib: {error}"
        return
    if root.get("lang") != "en":
        yield "no language"
    elements = list(root.iter())
    parents = {child: parent for parent in elements for child in parent}
    for element in elements:
        if not isinstance(element.tag, str):
            yield "a comment"
        elif is_sender(element):
            continue
        elif element.tag in FETCHING:
            yield f"<{element.tag}>"
        elif any(name.startswith("on") or name in ("src", "style") for name in element.attrib):
            yield f"an attribute of <{element.tag}>: {element.attrib}"
    levels = [int(e.tag[1]) for e in elements if e.tag in ("h1", "h2", "h3")]
    if levels.count(1) != 1 or levels[0] != 1 or any(b > a + 1 for a, b in zip(levels, levels[1:])):
        yield f"headings: {levels}"
    if len([e for e in elements if e.tag == "main"]) != 1 or not root.findtext("head/title"):
        yield "no main part, or no title"
    for field in (e for e in elements if e.tag == "input"):
        label, group = parents[field], parents[parents[field]]
        if label.tag != "label" or not "".join(label.itertext()).strip():
            yield "a field without a label"
        if group.tag != "fieldset" or not group.findtext("legend"):
            yield "a field outside a group with a name"
    groups = [e for e in elements if e.tag == "fieldset"]
    names = [{field.get("name") for field in group.iter("input")} for group in groups]
    if any(len(one) != 1 for one in names) or len(set().union(*names)) != len(groups):
        yield "groups share a name"
    for link in (e for e in elements if e.tag == "a"):
        if not "".join(link.itertext()).strip() or not link.get("href"):
            yield "a link without text or target"


pages = sorted(Path(sys.argv[1]).glob("*.html"))
found = [f"{page.name}: {fault}" for page in pages for fault in faults(page.read_text(encoding="utf-8"))]
print("\n".join(found + [f"{len(pages)} pages, {len(found)} faults"]))
sys.exit(bool(found))
