"""Makes the generated pages of the reference: `python docs/make_reference.py`.

A test compares the pages with what this file makes, so that they cannot lag behind the code.
`--figures DIR` puts the tables that were measured into that folder (`squareon assess`,
`calibrate`, `loop`) into the pages that show them.
"""

from __future__ import annotations

import argparse
import dataclasses
import inspect
import os
import re
import shutil
import typing
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline import cli
from pipeline.align.options import AlignOptions
from pipeline.contracts import STAGES
from pipeline.records.export import codes
from pipeline.registry import build, list_plugins, load, names
from synthetic_data.anatomy.population import ROWS

ROOT = Path(__file__).resolve().parents[1]
REFERENCE = ROOT / "docs" / "reference"
MADE = "<!-- made by docs/make_reference.py: do not edit -->"
BEGIN, END = "<!-- begin {} -->", "<!-- end {} -->"
OWN = "squareon"
SECTION = object()
SCENARIO_FIELD = {"anatomy": "anatomy", "renderer": "renderer", "finding": "findings"}
NAMED_ONLY = """\
`scenario.{}` chooses among these by name, with the defaults below. Other values are given in
Python, or by a plugin of your own that holds them."""


def own_names(stage: str) -> list[str]:
    """The plugins of a stage that come with this distribution."""
    found = list_plugins(stage=stage)
    return sorted(plugin.name for plugin in found if plugin.distribution == OWN)


# ---- words from docstrings ---------------------------------------------------------------------


def first_line(thing: Any) -> str:
    """The first sentence of a docstring."""
    text = inspect.getdoc(thing) or ""
    return " ".join(text.split("\n\n")[0].split())


def attribute_words(kind: type) -> dict[str, str]:
    """Field name to its words in the `Attributes:` of the class or of those it builds on."""
    found: dict[str, str] = {}
    for each in kind.__mro__:
        text = inspect.cleandoc(each.__dict__.get("__doc__") or "")
        block = re.search(r"^Attributes:\n((?:    .*\n?|\n)*)", text, re.M)
        if not block:
            continue
        for entry in re.split(r"\n(?=    \w)", "\n" + block.group(1).rstrip()):
            head, _, words = entry.strip().partition(":")
            for name in head.split(",") if head else ():
                found.setdefault(name.strip(), " ".join(words.split()))
    return found


def type_words(hint: Any) -> str:
    """A type as a user would say it."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    plain = {str: "text", int: "whole number", float: "number", bool: "true or false"}
    if hint in plain:
        return plain[hint]
    if hint is type(None):
        return "null"
    if origin is typing.Literal:
        return " or ".join(f"`{choice}`" for choice in arguments)
    if origin is dict:
        return "section"
    if origin is tuple and arguments[-1] is Ellipsis:
        return f"list of {type_words(arguments[0])}"
    if origin is tuple:
        return f"{len(arguments)} x {type_words(arguments[0])}"
    if arguments:
        return " or ".join(type_words(choice) for choice in arguments)
    return getattr(hint, "__name__", str(hint))


def value_words(value: Any) -> str:
    """A value as it is written on the command line."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return value or '""'
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k}: {value_words(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ",".join(value_words(each) for each in value) + "]"
    return str(value)


def options_table(kind: type, prefix: str, chosen: Mapping[str, Any] | None = None) -> list[str]:
    """Rows of a table of a dataclass's fields; `chosen` values stand before its own defaults."""
    hints = typing.get_type_hints(kind)
    words = attribute_words(kind)
    rows = ["| setting | type | default | meaning |", "| --- | --- | --- | --- |"]
    for field in dataclasses.fields(kind):
        if not field.init or field.name.startswith("_"):
            continue
        default: Any = field.default
        if default is dataclasses.MISSING:
            factory = field.default_factory
            default = "(required)" if factory is dataclasses.MISSING else factory()
        if chosen and field.name in chosen:
            default = chosen[field.name]
        said = words.get(field.name, "").replace("|", "\\|")
        kind_words = type_words(hints[field.name])
        value = "see below" if default is SECTION else f"`{value_words(default)}`"
        rows.append(f"| `{prefix}{field.name}` | {kind_words} | {value} | {said} |")
    return rows


# ---- the pages ---------------------------------------------------------------------------------


def commands_page() -> str:
    """`commands.md`: what `--help` says."""
    os.environ["COLUMNS"] = "88"
    lines = [MADE, "", "# Commands", ""]
    lines += ["What `--help` prints. Settings are listed in [settings](settings.md).", ""]
    lines += ["## squareon", "", "```text", overview(), "```", ""]
    for name in own_names("command"):
        parser = cli._parser(name, build("command", name))
        help_text = "\n".join(line.rstrip() for line in parser.format_help().splitlines())
        lines += [f"## squareon {name}", "", "```text", help_text, "```", ""]
    return "\n".join(lines)


def overview() -> str:
    """The words of `squareon --help`, commands of other distributions left out."""
    own = own_names("command")
    foreign = {name for name in names("command") if name not in own}
    lines = cli._overview().splitlines()
    return "\n".join(line for line in lines if line.split()[:1] not in [[f] for f in foreign])


def composed(name: str) -> dict[str, Any]:
    """The settings of a command as its files have them."""
    return cli.compose(name, build("command", name).settings, [])


def settings_page() -> str:
    """`settings.md`: every key with type, default and meaning."""
    lines = [MADE, "", "# Settings", ""]
    lines += [
        "Every `key=value` that a command takes; [the guide](../guides/settings.md) shows how to",
        "use them. A *section* holds the options of plugins, which follow below by stage; defaults",
        "are those of `configs/`.",
        "",
    ]
    with_settings = [n for n in own_names("command") if build("command", n).settings is not None]
    for name in with_settings:
        schema = build("command", name).settings
        values = composed(name)
        flat = {k: v for k, v in values.items() if not isinstance(v, Mapping)}
        sections = {k: SECTION for k, v in values.items() if isinstance(v, Mapping)}
        lines += [f"## squareon {name}", "", *options_table(schema, "", {**flat, **sections}), ""]
    lines += ["## align", "", first_line(AlignOptions), ""]
    lines += [*options_table(AlignOptions, "align.", composed("read")["align"]), ""]
    read = composed("read") | {"scenario": composed("assess")["scenario"]}
    sections = {key for name in with_settings for key in composed(name)}
    for stage in STAGES:
        if stage == "command" or not own_names(stage):
            continue
        lines += [f"## {stage}", ""]
        if stage not in sections:
            lines += [NAMED_ONLY.format(SCENARIO_FIELD[stage]), ""]
        choices = sorted((ROOT / "configs" / stage).glob("*.yaml"))
        if choices:
            lines += ["Choices: " + ", ".join(f"`{stage}={path.stem}`" for path in choices) + "."]
            lines += [""]
        for name in own_names(stage):
            lines += [f"### {stage} `{name}`", "", *plugin_options(stage, name, sections, read), ""]
    return "\n".join(lines)


def plugin_options(
    stage: str, name: str, sections: set[str], settings: Mapping[str, Any]
) -> list[str]:
    """What a plugin is, and its options as they are written on the command line."""
    kind = load(stage, name)
    single = stage in cli.SINGLE
    prefix = f"{stage}." if single else f"{stage}.{name}."
    section = settings.get(stage, {})
    chosen = section if single and section.get("name") == name else section.get(name, {})
    if not any(f.init and f.name[0] != "_" for f in dataclasses.fields(kind)):
        return [first_line(kind), "", "It has no options."]
    prefix = prefix if stage in sections else ""
    return [first_line(kind), "", *options_table(kind, prefix, chosen or {})]


def plugins_page() -> str:
    """`plugins.md`: what ships, by stage."""
    lines = [MADE, "", "# Plugins that ship", ""]
    lines += [
        "`squareon plugins` lists what is installed, others included; options stand in",
        "[settings](settings.md).",
        "",
    ]
    for stage, contract in STAGES.items():
        lines += [f"## {stage}", ""]
        lines += [f"[`{contract.__name__}`](../guides/{stage}.md): {first_line(contract)}", ""]
        if not own_names(stage):
            lines += ["None ships.", ""]
            continue
        lines += ["| name | what it is | class |", "| --- | --- | --- |"]
        for name in own_names(stage):
            kind = load(stage, name)
            where = f"`{kind.__module__}:{kind.__qualname__}`"
            lines.append(f"| `{name}` | {first_line(kind)} | {where} |")
        lines.append("")
    return "\n".join(lines)


def population_table() -> str:
    """The generated population's means and SDs with their sources."""
    rows = ["| quantity | men | women | mark | source |", "| --- | --- | --- | --- | --- |"]
    for name, row in ROWS.items():
        men, women = (f"{mean:g} ± {sd:g}" for mean, sd in (row.male, row.female))
        rows.append(f"| `{name}` | {men} | {women} | {mark_of(row.source)} | {row.source} |")
    return "\n".join(rows)


def mark_of(source: str) -> str:
    """How far a source was looked at, from its words."""
    if source.startswith(("design", "between")):
        return "design"
    if "memory" in source:
        return "memory"
    read = "computed" if "real films" in source else "abstract"
    return f"{read}, part design" if "design" in source else read


def criteria_table() -> str:
    """Tolerances of the criteria with their sources."""
    rows = ["| criterion | options with a number | source |", "| --- | --- | --- |"]
    for name in own_names("criterion"):
        kind = load("criterion", name)
        fields = {f.name: f.default for f in dataclasses.fields(kind)}
        source = fields.pop("source")
        numbers = ", ".join(f"`{k}` {v:g}" for k, v in fields.items() if isinstance(v, float))
        rows.append(f"| `{name}` | {numbers} | {source} |")
    return "\n".join(rows)


def with_block(page: str, name: str, text: str) -> str:
    """`page` with the block between its markers replaced."""
    begin, end = BEGIN.format(name), END.format(name)
    before, _, rest = page.partition(begin)
    _, found, after = rest.partition(end)
    if not found:
        raise ValueError(f"the page has no block {name}")
    return f"{before}{begin}\n{text.strip()}\n{end}{after}"


def sources_page() -> str:
    """`sources.md` with its generated tables."""
    page = (REFERENCE / "sources.md").read_text()
    page = with_block(page, "population", population_table())
    return with_block(page, "criteria", criteria_table())


def codes_page() -> str:
    """`codes.md`: the codes that exported objects carry."""
    kinds = (
        ("Standard codes", codes.STANDARD, "Looked up in pydicom's dictionaries by a test."),
        ("Units without a code of their own", codes.UNITS, "An annotation by UCUM's rules."),
        ("Private codes", codes.OWN, PRIVATE_WORDS),
        ("Criteria", codes.CRITERION, "Private, by the criterion's name in a reading."),
        ("Landmarks", codes.LANDMARK, "Private, by the landmark's name in a reading."),
    )
    lines = [MADE, "", "# Codes", ""]
    lines += [
        "What [exported](../guides/export.md) reports are coded with. SCT is SNOMED CT, DCM the",
        f"DICOM standard's own, UCUM units of measure; `{codes.PRIVATE}` is a private scheme.",
        "",
    ]
    for title, table, words in kinds:
        lines += [f"## {title}", "", words, "", "| for | value | scheme | meaning |"]
        lines += ["| --- | --- | --- | --- |"]
        lines += [
            f"| {name} | `{code.value}` | {code.scheme} | {code.meaning} |"
            for name, code in table.items()
        ]
        lines += [""]
    return "\n".join(lines)


PRIVATE_WORDS = """\
Concepts that were found in no dictionary at hand, medial and lateral condyles among them: a plain
meaning is safer than a guessed code. A value is never used again for another meaning."""


def contract_source(stage: str) -> str:
    """The contract as it stands in pipeline/contracts.py, for the guide to it."""
    return inspect.getsource(STAGES[stage]).replace("@runtime_checkable\n", "").rstrip()


def guide_page(stage: str) -> str:
    """The guide to a contract with the contract's own words in it."""
    page = (ROOT / "docs" / "guides" / f"{stage}.md").read_text()
    return with_block(page, "contract", f"```py\n{contract_source(stage)}\n```")


def pages() -> dict[Path, str]:
    """Every generated page and what it should hold."""
    made = {
        REFERENCE / "commands.md": commands_page(),
        REFERENCE / "settings.md": settings_page(),
        REFERENCE / "plugins.md": plugins_page(),
        REFERENCE / "sources.md": sources_page(),
        REFERENCE / "codes.md": codes_page(),
    }
    guides = {ROOT / "docs" / "guides" / f"{stage}.md": guide_page(stage) for stage in STAGES}
    return {path: text.rstrip() + "\n" for path, text in {**made, **guides}.items()}


MEASURED = {
    "accuracy": ("figures", "reference/accuracy.md"),
    "benchmark": ("benchmark", "reference/benchmark.md"),
    "goals": ("goals", "reference/accuracy.md"),
    "shifts": ("shifts", "reference/accuracy.md"),
    "conformal": ("conformal", "reference/accuracy.md"),
    "other_renderer": ("other renderer", "reference/accuracy.md"),
    "closed_loop": ("closed loop", "explanation/closed-loop.md"),
}
"""File of figures to the block and the page that show it."""


def take_figures(folder: Path) -> list[str]:
    """Puts what `folder` holds into the pages and `accuracy.json` beside them; names of both."""
    taken = []
    for name, (block, where) in MEASURED.items():
        tables = folder / f"{name}.md"
        if not tables.exists():
            continue
        page = ROOT / "docs" / where
        page.write_text(with_block(page.read_text(), block, tables.read_text()))
        taken.append(tables.name)
    if (folder / "accuracy.json").exists():
        shutil.copy(folder / "accuracy.json", REFERENCE / "accuracy.json")
        taken.append("accuracy.json")
    return taken


def main() -> None:
    """Writes the pages."""
    parser = argparse.ArgumentParser(description="Make the generated pages of the reference.")
    parser.add_argument("--figures", type=Path, metavar="DIR", help="folder of measured figures")
    folder = parser.parse_args().figures
    for path, text in pages().items():
        path.write_text(text)
    if folder is not None:
        print("taken:", ", ".join(take_figures(folder)) or "nothing")


if __name__ == "__main__":
    main()
