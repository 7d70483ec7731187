"""The page that explains every key of the shop's description, made from the schemas: they are its only
source."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any

from service.shop.catalogue.schema import json_schemas

Schema = Mapping[str, Any]

_HEAD = """# Every key of the shop's description

Made by `ricasso catalogue reference` from the schemas that files are checked with; don't edit it by hand.

A key without a default must be given. Millimetres and degrees (counter-clockwise), y up, each face as the
laser sees it. `[[face]]` begins one of several tables, `[hours]` the only one of its kind.
A name (of a blade, a plate, a font ...) has up to 60 letters, digits, blanks and `_ . ' # -`;
words for people have up to 120 characters.
"""


def reference() -> str:
    """The page as Markdown."""
    schemas = json_schemas()
    shape, curve = (schemas["blades"]["$defs"][name] for name in ("Shape", "CurvePath"))
    parts = [_HEAD, "## Shapes\n", f"{shape['description']}\n", *_table(shape)]
    parts += [f"\n{curve['description']}\n", *_table(curve)]
    for kind, schema in schemas.items():
        parts += [f"\n## {kind}/\n", f"{_flat(schema['description'])}\n", *_tables(schema)]
    return "\n".join(parts).rstrip("\n") + "\n"


def _tables(schema: Schema) -> Iterator[str]:
    """The table of a file's own keys, then those of the tables in it, each under its header."""
    definitions: Schema = schema.get("$defs", {})
    yield from _table(schema)
    waiting = [(schema, "")]
    seen: set[str] = set()
    while waiting:
        owner, path = waiting.pop(0)
        for name, wanted in owner["properties"].items():
            inner, many = _inner(wanted)
            if inner is None or inner in ("Shape", "CurvePath"):
                continue
            own = f"{path}.{name}" if path else name
            header = f"[[{own}]]" if many else f"[{own}]"
            described = definitions[inner]
            if inner in seen:
                continue
            seen.add(inner)
            yield f"\n### `{header}`\n"
            yield f"{_flat(described['description'])}\n"
            yield from _table(described)
            waiting.append((described, own))


def _table(schema: Schema) -> Iterator[str]:
    yield "| key | means | unit | default | example |"
    yield "|---|---|---|---|---|"
    required = set(schema.get("required", ()))
    for name, wanted in schema["properties"].items():
        inner, _ = _inner(wanted)
        is_table = inner not in (None, "Shape", "CurvePath") and "patternProperties" not in wanted
        # A table's example is its own keys' examples; a line of it here would only be long.
        example = "" if is_table else f"`{toml(wanted['examples'][0])}`"
        default = "" if name in required else _default(wanted)
        means = _flat(wanted["description"]) + _range(wanted)
        yield f"| `{name}` | {means} | {wanted.get('unit', '')} | {default} | {example} |"


def _inner(wanted: Schema) -> tuple[str | None, bool]:
    """The definition that a key's value follows, and whether it is a list (or a table of named ones) of
    those."""
    if "$ref" in wanted:
        return str(wanted["$ref"]).rpartition("/")[2], False
    if "items" in wanted and "$ref" in wanted["items"]:
        return str(wanted["items"]["$ref"]).rpartition("/")[2], True
    for way in wanted.get("patternProperties", {}).values():
        if "$ref" in way:
            return str(way["$ref"]).rpartition("/")[2], False
    for way in wanted.get("anyOf", ()):
        inner, many = _inner(way)
        if inner is not None:
            return inner, many
    return None, False


def _default(wanted: Schema) -> str:
    default = wanted.get("default")
    if default is None or isinstance(default, dict) or default == []:
        return "may be left out"
    return f"`{toml(default)}`"


def _range(wanted: Schema) -> str:
    """What a value may be, where that can be said shortly."""
    ways = [wanted, *wanted.get("anyOf", ())]
    limits = []
    for words, key in (
        ("above", "exclusiveMinimum"),
        ("at least", "minimum"),
        ("below", "exclusiveMaximum"),
        ("at most", "maximum"),
    ):
        found = next((way[key] for way in ways if key in way), None)
        if found is not None and not (key == "minimum" and found == 0):
            limits.append(f"{words} {found:g}")
    allowed = next((way["enum"] for way in [*ways, wanted.get("items", {})] if "enum" in way), None)
    if allowed:
        limits.append(f"one of {', '.join(f'`{value}`' for value in allowed)}")
    return f" ({'; '.join(limits)})" if limits else ""


def toml(value: Any) -> str:
    """A value as a TOML file has it, on one line.

    >>> toml({"rect": [0, 0.5], "name": "a b", "on": True})
    '{ rect = [0, 0.5], name = "a b", on = true }'
    """
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(name)} = {toml(inner)}" for name, inner in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(map(toml, value))}]"
    return json.dumps(value, ensure_ascii=False)


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() else json.dumps(name)


def _flat(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
