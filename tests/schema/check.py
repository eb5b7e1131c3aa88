"""Checks the JSON Schemas that editors use for stationkeep's files.

    python3 -m venv VENV && VENV/bin/pip install -r tests/requirements.txt
    VENV/bin/python tests/schema/check.py                      the four files in src/schema
    VENV/bin/python tests/schema/check.py FILE...              these schemas, each known by its `$id`; `-` reads one
    VENV/bin/python tests/schema/check.py --program BINARY     what `BINARY schema KIND` prints, for all four kinds

Each schema must be valid for its draft, describe every property, refuse unknown keys and hold by its own examples.
All samples of the project and all of `good/` must validate. Each file in `bad/KIND/` holds one mistake, which its name
tells; its first line says where (`# at /contacts/gatehouse`), and the schema must find fault there and nowhere else.

Files are read as editors read them (YAML 1.2, core schema): `no` is a text, a time is a text, 0121 is a number, and
names of entries are texts as written. It never changes a file and never uses the network.

Exit: 0 all passed, 1 something did not, 2 wrong usage.
"""

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

try:
    import yaml
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import SchemaError
    from referencing import Registry, Resource
except ImportError as error:
    sys.exit(f"{error}. Install what is listed in tests/requirements.txt.")

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
DRAFT = "https://json-schema.org/draft/2020-12/schema"
ID = "urn:stationkeep:schema:"
KINDS = ("inventory", "keybook", "report", "config")
SAMPLES = {
    "inventory": ["config/inventory/**/*.yaml"],
    "keybook": ["config/keybooks/*.yaml"],
    "report": ["config/reports/*.yaml"],
    "config": ["config/stationkeep.yaml", "deploy/stationkeep.yaml"],
}
BAD_LEAST = 8
PROGRAM_SECONDS = 30

# Ranges reserved for fiction: Ofcom's numbers for drama, and 555-0100 to 555-0199 in the North American plan.
FICTION = re.compile(
    r"(44(1632960|7700900|1134960|1144960|1154960|1164960|1174960|1184960|1214960|1314960|1414960|1514960|1614960"
    r"|2079460|1914980|2896496|2920180)[0-9]{3}|1[2-9][0-9]{2}55501[0-9]{2})"
)


class Unreadable(Exception):
    """A file that no editor would take for a sound one."""


# Reading


def value_of(text: str):
    """A text without quotes, as the core schema of YAML 1.2 takes it (section 10.3.2)."""
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE", "false", "False", "FALSE"):
        return text.lower() == "true"
    if re.fullmatch(r"[-+]?[0-9]+", text):
        return int(text)
    if re.fullmatch(r"0o[0-7]+|0x[0-9a-fA-F]+", text):
        return int(text, 0)
    if re.fullmatch(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", text):
        return float(text)
    return text


def plain_data(node: yaml.Node):
    """A tree of lists, mappings and values; a repeated entry is refused, as the program refuses it."""
    if isinstance(node, yaml.ScalarNode):
        return value_of(node.value) if node.style is None else node.value
    if isinstance(node, yaml.SequenceNode):
        return [plain_data(item) for item in node.value]
    data = {}
    for key, value in node.value:
        if not isinstance(key, yaml.ScalarNode):
            raise Unreadable(f"line {key.start_mark.line + 1}: a list or mapping stands where a name belongs")
        if key.value in data:
            raise Unreadable(f"line {key.start_mark.line + 1}: `{key.value}` is written for the second time")
        data[key.value] = plain_data(value)
    return data


def read(path: Path):
    """One file's data."""
    try:
        text = path.read_text(encoding="utf-8")
        for event in yaml.parse(text, Loader=yaml.BaseLoader):
            if getattr(event, "anchor", None) or getattr(event, "tag", None):
                raise Unreadable(f"line {event.start_mark.line + 1}: an anchor, alias or tag stands here")
        node = yaml.compose(text, Loader=yaml.BaseLoader)
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise Unreadable(" ".join(str(error).split())) from error
    if node is None:
        raise Unreadable("it is empty")
    return plain_data(node)


# What is wrong with a schema


def subschemas(schema, pointer: str = "", overlay: bool = False) -> Iterator[tuple[str, dict, bool]]:
    """Every schema within a schema, with its place. An overlay only narrows what stands beside it."""
    if not isinstance(schema, dict):
        return
    yield pointer, schema, overlay
    for word in ("properties", "$defs", "dependentSchemas"):
        for name, inner in schema.get(word, {}).items():
            step = name.replace("~", "~0").replace("/", "~1")
            narrows = overlay or word == "dependentSchemas"
            yield from subschemas(inner, f"{pointer}/{word}/{step}", narrows)
    for word in ("allOf", "prefixItems"):
        for at, inner in enumerate(schema.get(word, [])):
            yield from subschemas(inner, f"{pointer}/{word}/{at}", overlay or word == "allOf")
    for word in ("items", "additionalProperties", "propertyNames", "if", "then"):
        yield from subschemas(schema.get(word), f"{pointer}/{word}", overlay or word in ("if", "then"))


def described(root: dict, schema) -> bool:
    """Whether an editor has something to show for a property."""
    while isinstance(schema, dict) and "description" not in schema and "$ref" in schema:
        schema = looked_up(root, schema["$ref"])
    return schema is False or (isinstance(schema, dict) and len(schema.get("description", "")) > 8)


def looked_up(root: dict, ref: str):
    """The definition a reference leads to; all of ours are of the form `#/$defs/NAME`."""
    return root.get("$defs", {}).get(ref.removeprefix("#/$defs/"))


def head_faults(kind: str, root: dict, text: str) -> Iterator[str]:
    if root.get("$schema") != DRAFT or root.get("$id") != ID + kind:
        yield f"`$schema` or `$id` is not {DRAFT} and {ID}{kind}"
    if not root.get("title") or not root.get("description") or not root.get("examples"):
        yield "it has no title, description or examples"
    if re.search(r"https?://[A-Za-z0-9]", text.replace(DRAFT, "")):
        yield "it names an address on the web"
    yield from (f"{number} is not from a range reserved for fiction" for number in real_numbers(text))


def real_numbers(text: str) -> list[str]:
    return [n for n in re.findall(r"\+([0-9]{7,})", text) if not FICTION.fullmatch(n)]


def body_faults(root: dict) -> Iterator[str]:
    used = set()
    for pointer, schema, overlay in subschemas(root):
        if "$ref" in schema:
            used.add(schema["$ref"])
            if looked_up(root, schema["$ref"]) is None:
                yield f"{pointer}: {schema['$ref']} leads nowhere"
        # Names of one's own are offered as properties of a mapping that takes any, each of one shape.
        is_open = "propertyNames" in schema and isinstance(schema.get("additionalProperties"), dict)
        if not overlay and "properties" in schema and schema.get("additionalProperties") is not False and not is_open:
            yield f"{pointer}: unknown keys are not refused"
        named = {} if overlay else schema.get("properties", {})
        yield from (f"{pointer}/{name}: it has no description" for name, one in named.items() if not described(root, one))
        pattern = schema.get("pattern", "^$")
        if not (pattern.startswith("^") and pattern.endswith("$")) or re.search(r"\(\?[^!=:]|\\[AZdwpPu]\b", pattern):
            yield f"{pointer}: the pattern {pattern} is not anchored, or editors may read it differently"
    yield from (f"$defs/{name} is used nowhere" for name in root.get("$defs", {}) if f"#/$defs/{name}" not in used)


def example_faults(kind: str, root: dict) -> Iterator[str]:
    registry = Registry().with_resource(ID + kind, Resource.from_contents(root))
    for pointer, schema, _ in subschemas(root):
        validator = Draft202012Validator({"$ref": f"{ID}{kind}#{pointer}"}, registry=registry)
        for example in schema.get("examples", []):
            if not validator.is_valid(example):
                yield f"{pointer}: its own example {json.dumps(example)} does not hold by it"


# The checks


class Tally:
    """Counts, and tells what failed."""

    def __init__(self) -> None:
        self.passed = 0
        self.failed = 0

    def note(self, what: str, faults: list[str]) -> None:
        if faults:
            self.failed += 1
            print(f"FAILED {what}", *(f"       {fault}" for fault in faults), sep="\n")
        else:
            self.passed += 1


def found_in(validator: Draft202012Validator, path: Path) -> list[tuple[str, str]]:
    """Every mistake the schema finds in a file: its place and a sentence."""
    errors = validator.iter_errors(read(path))
    return [("/" + "/".join(map(str, error.absolute_path)), error.message[:200]) for error in errors]


def good_faults(validator: Draft202012Validator, path: Path) -> list[str]:
    try:
        return [f"{place}: {sentence}" for place, sentence in found_in(validator, path)]
    except Unreadable as error:
        return [str(error)]


def bad_faults(validator: Draft202012Validator, path: Path) -> list[str]:
    first = path.read_text(encoding="utf-8").split("\n", 1)[0]
    if not first.startswith("# at /"):
        return ["its first line does not say where the mistake is: # at /PLACE"]
    stated = first.removeprefix("# at ").strip()
    try:
        found = found_in(validator, path)
    except Unreadable as error:
        return [f"it cannot even be read, so no schema finds its mistake: {error}"]
    if not found:
        return [f"it is taken for sound; the mistake is at {stated}"]
    return [f"found at {place}, not at {stated}: {sentence}" for place, sentence in found if place != stated]


def check_kind(tally: Tally, kind: str, text: str) -> None:
    try:
        root = json.loads(text)
        Draft202012Validator.check_schema(root)
    except (json.JSONDecodeError, SchemaError) as error:
        return tally.note(f"schema {kind}", [f"it is not JSON Schema: {str(error).splitlines()[0]}"])
    faults = [*head_faults(kind, root, text), *body_faults(root), *example_faults(kind, root)]
    tally.note(f"schema {kind}", faults)
    validator = Draft202012Validator(root)
    samples = sorted(path for pattern in SAMPLES[kind] for path in ROOT.glob(pattern))
    good = sorted((HERE / "good" / kind).glob("*.*"))
    bad = sorted((HERE / "bad" / kind).glob("*.*"))
    if not samples or not good or len(bad) < BAD_LEAST:
        counts = f"{len(samples)} samples, {len(good)} good and {len(bad)} bad examples"
        tally.note(f"examples of {kind}", [f"here are {counts}; at least 1, 1 and {BAD_LEAST} are wanted"])
    for path in samples + good:
        faults = [f"+{n} is not from a range reserved for fiction" for n in real_numbers(path.read_text("utf-8"))]
        tally.note(str(path.relative_to(ROOT)), faults + good_faults(validator, path))
    for path in bad:
        tally.note(str(path.relative_to(ROOT)), bad_faults(validator, path))
    return None


# Where the schemas come from


def printed(program: str, kind: str) -> str:
    try:
        run = subprocess.run([program, "schema", kind], capture_output=True, timeout=PROGRAM_SECONDS, check=False)
    except (OSError, subprocess.TimeoutExpired) as error:
        sys.exit(f"`{program} schema {kind}` cannot be run: {error}")
    if run.returncode != 0:
        sys.exit(f"`{program} schema {kind}` ended with {run.returncode}: {run.stderr.decode(errors='replace').strip()}")
    return run.stdout.decode("utf-8")


def given(arguments: list[str]) -> dict[str, str]:
    """The text of each schema to check, by kind."""
    if arguments[:1] == ["--program"] and len(arguments) == 2:
        return {kind: printed(arguments[1], kind) for kind in KINDS}
    if any(argument.startswith("--") for argument in arguments):
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    texts = {}
    for name in arguments or [str(ROOT / "src/schema" / f"{kind}.json") for kind in KINDS]:
        try:
            text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8")
            kind = str(json.loads(text).get("$id", "")).removeprefix(ID)
        except (OSError, ValueError, AttributeError) as error:
            sys.exit(f"{name} is no schema that can be read: {error}")
        if kind not in KINDS:
            sys.exit(f"{name} is none of our schemas: its `$id` should be {ID}KIND, KIND one of {', '.join(KINDS)}")
        texts[kind] = text
    return texts


def main() -> int:
    tally = Tally()
    for kind, text in given(sys.argv[1:]).items():
        check_kind(tally, kind, text)
    print(f"{tally.passed} passed, {tally.failed} failed")
    return 1 if tally.failed else 0


if __name__ == "__main__":
    sys.exit(main())
