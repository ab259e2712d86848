"""The command line: finds the command, composes its settings, runs it, tells errors plainly.

This is the only file that knows hydra. Settings of a command are `configs/<command>.yaml` over
the command's settings dataclass; `group=choice` and `key=value` on the command line change them.
"""

from __future__ import annotations

import argparse
import dataclasses
import importlib
import importlib.util
import io
import re
import sys
from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, distribution, version
from pathlib import Path
from typing import Any

from pipeline.contracts import STAGES, Command
from pipeline.knee.errors import Problem
from pipeline.records.files import StopError
from pipeline.registry import build, load, names, nearest

DISTRIBUTION = "squareon"
PACKAGES = ("pipeline", "models", "synthetic_data", "configs")
OVERRIDE = re.compile(r"(\+{0,2}[A-Za-z_][\w.@/-]*=|~[A-Za-z_])")

OK, USAGE, STOPPED, INTERRUPTED = 0, 2, 3, 130

ABOUT = """\
Squareon says whether a knee film is square on, and if not, which way and by how much.

It reads archived and training films, gives rotation and tilt with their uncertainty, names the
move that would correct them, and draws target proposals for a person to review. Never for
guidance of a live or autonomous procedure.
"""

EXAMPLES = """\
examples:
  squareon demo                              make invented films and read them
  squareon read archive/ --out results       read every film in a folder
  squareon read knee.dcm --out r align.tolerance=strict
  squareon read --help                       arguments and settings of one command
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and returns the exit status: 0 well, 1 the command's own, 2 usage."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # file names need not be valid text
    try:
        return _run(list(sys.argv[1:] if argv is None else argv))
    except StopError as problem:
        print(f"squareon: stopped: {problem}", file=sys.stderr)
        return STOPPED
    except Problem as problem:
        print(f"squareon: {problem}", file=sys.stderr)
        return USAGE
    except KeyboardInterrupt:
        print(
            "squareon: interrupted; the same command given again continues where it stopped.",
            file=sys.stderr,
        )
        return INTERRUPTED
    except BrokenPipeError:
        # The reader of our output has gone (`squareon plugins | head`); nothing is wrong.
        sys.stderr.close()
        return OK
    except OSError as error:
        where = error.filename or "the system"
        print(
            f"squareon: stopped: {where}: {error.strerror or type(error).__name__}; "
            "check the path, its permissions and the free space.",
            file=sys.stderr,
        )
        return STOPPED


def _run(argv: list[str]) -> int:
    check_packages()
    if not argv or argv[0] in ("-h", "--help"):
        print(_overview())
        return OK if argv else USAGE
    if argv[0] in ("-V", "--version"):
        print(f"squareon {version(DISTRIBUTION)}")
        return OK
    name, rest = argv[0], argv[1:]
    if name.startswith("-") or name not in names("command"):
        raise Problem(name, "is no command", f"{nearest(name, names('command'))} (squareon --help)")
    command: Command = build("command", name)
    overrides = [word for word in rest if is_override(word)]
    parser = _parser(name, command)
    arguments = parser.parse_args([word for word in rest if not is_override(word)])
    if command.settings is None:
        if overrides:
            raise Problem(overrides[0], f"squareon {name} has no settings", "leave it out")
        return command.run(arguments, {})
    if getattr(arguments, "multirun", False):
        return sweep(name, command, arguments, overrides)
    settings = compose(name, command.settings, overrides)
    if arguments.print_config:
        print(as_yaml(settings), end="")
        return OK
    return command.run(arguments, settings)


def is_override(word: str) -> bool:
    """Whether a word of the command line is a setting (`key=value`) and not a path."""
    return OVERRIDE.match(word) is not None and not Path(word).exists()


def check_packages() -> None:
    """Raises `Problem` where a package of that name is not the one this program came with.

    The packages have general names, so another distribution or a folder where the program is
    started could stand in front of them.
    """
    home = Path(__file__).resolve().parent.parent
    try:
        distribution(DISTRIBUTION)
    except PackageNotFoundError:
        raise Problem(
            DISTRIBUTION, "the distribution is not installed", "run pip install . in its folder"
        ) from None
    for package in PACKAGES:
        try:
            found = importlib.import_module(package).__file__
        except ImportError as error:
            raise Problem(
                f"package {package}",
                f"cannot be imported ({error})",
                "install squareon again, in an environment of its own",
            ) from None
        if found is None or Path(found).resolve().parent != home / package:
            where = "a folder without code" if found is None else str(Path(found).parent)
            raise Problem(
                f"package {package}",
                f"another package of that name stands in front of squareon's own: {where}",
                "start squareon from another folder, or install it in an environment of its own",
            )


def _overview() -> str:
    lines = [ABOUT, "usage: squareon COMMAND ...", "", "commands:"]
    for name in names("command"):
        try:
            says = load("command", name).help  # type: ignore[attr-defined]
        except Problem as problem:
            says = f"(cannot be used: {problem.what})"
        lines.append(f"  {name:<10} {says}")
    return "\n".join([*lines, "", EXAMPLES.rstrip()])


def _parser(name: str, command: Command) -> argparse.ArgumentParser:
    usage = "%(prog)s [options]" if command.settings is None else None
    parser = argparse.ArgumentParser(
        prog=f"squareon {name}",
        description=command.help[:1].upper() + command.help[1:] + ".",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        usage=usage,
    )
    command.add_arguments(parser)
    parser.usage = None
    if command.settings is not None:
        parser.add_argument(
            "--print-config", action="store_true", help="print the settings in force and stop"
        )
        if hasattr(command, "swept"):
            parser.add_argument(
                "--multirun",
                "-m",
                action="store_true",
                help="one run for each combination of values given as key=a,b",
            )
        known = ", ".join(field.name for field in dataclasses.fields(command.settings))
        parser.epilog = f"settings (key=value): {known}\n\n{parser.epilog or ''}"
    return parser


# ---- settings ---------------------------------------------------------------------------------


def compose(name: str, schema: type, overrides: Sequence[str]) -> dict[str, Any]:
    """The settings of command `name`: YAML over `schema`, then the overrides; checked.

    Raises `Problem`, one line with the nearest valid name, for an unknown key or group choice, a
    wrong type, or a word that is no `key=value`.
    """
    from hydra import compose as hydra_compose
    from hydra import initialize_config_module
    from hydra.core.global_hydra import GlobalHydra
    from hydra.errors import HydraException
    from omegaconf import OmegaConf
    from omegaconf.errors import OmegaConfBaseException

    open_sections = _stored(name, schema)
    words = [_opened(word, open_sections) for word in overrides]
    GlobalHydra.instance().clear()
    try:
        with initialize_config_module("configs", version_base="1.3"):
            config = hydra_compose(name, overrides=words)
        plain = OmegaConf.to_container(config, resolve=True)
    except (HydraException, OmegaConfBaseException, ValueError) as error:
        raise _told(error, name, schema, overrides) from None
    assert isinstance(plain, dict)
    return {str(key): value for key, value in plain.items()}


def sweep(
    name: str, command: Command, arguments: argparse.Namespace, overrides: Sequence[str]
) -> int:
    """Runs the command once for each combination of `key=a,b`, by hydra's launcher.

    Run `n` has the folder `OUT/n` for its `--out`. A run that meets a `Problem` leaves
    `problem.txt` there and the others go on. Returns 1 where one did.
    """
    import hydra
    from hydra.core.global_hydra import GlobalHydra

    assert command.settings is not None
    if arguments.out is None:
        raise Problem("--multirun", "no folder was named", "give --out DIR")
    if any(word.startswith("hydra/launcher=submitit") for word in overrides) and (
        importlib.util.find_spec("hydra_plugins.hydra_submitit_launcher") is None
    ):
        raise Problem(
            "hydra/launcher=submitit",
            "the launcher is not installed",
            "install the launcher extra: pip install 'squareon[launcher]'",
        )
    # a mistake in names or in the first values is told before any run starts
    first = [first_value(word) for word in overrides if not word.startswith("hydra")]
    compose(name, command.settings, first)
    out = Path(arguments.out).resolve()
    sections = _stored(name, command.settings)

    def one(config: Any) -> int:
        from hydra.core.hydra_config import HydraConfig
        from omegaconf import OmegaConf

        folder = Path(HydraConfig.get().runtime.output_dir)
        own = argparse.Namespace(**{**vars(arguments), "out": folder})
        settings: Any = OmegaConf.to_container(config, resolve=True)
        try:
            return command.run(own, settings)
        except Problem as problem:
            (folder / "problem.txt").write_text(f"{problem}\n")
            print(f"squareon: {problem}", file=sys.stderr)
            return USAGE

    words = [_opened(word, sections) for word in overrides]
    words += [f"hydra.sweep.dir={out}", "hydra.sweep.subdir=${hydra.job.num}"]
    GlobalHydra.instance().clear()
    before = sys.argv
    sys.argv = ["squareon", "--multirun", *words]
    try:
        hydra.main(version_base="1.3", config_path="pkg://configs", config_name=name)(one)()
    finally:
        sys.argv = before
    command.swept(out)  # type: ignore[attr-defined]
    return 1 if any(out.glob("*/problem.txt")) else OK


def first_value(word: str) -> str:
    """`key=a` of `key=a,b`; commas inside brackets separate no values of a sweep."""
    depth = 0
    for place, letter in enumerate(word):
        depth += (letter in "[{(") - (letter in "]})")
        if letter == "," and not depth:
            return word[:place]
    return word


def _stored(name: str, schema: type) -> set[str]:
    """Tells hydra the schema and every plugin that has no YAML here; the open sections."""
    from hydra.core.config_store import ConfigStore
    from omegaconf import OmegaConf

    open_sections = _open_sections(schema)
    store = ConfigStore.instance()
    node = OmegaConf.structured(schema)
    OmegaConf.set_readonly(node, False)  # as it is for a frozen dataclass
    store.store(name="schema", node=node)
    if not _yaml(f"{name}.yaml").is_file():
        store.store(name=name, node=node)
    for stage in open_sections & set(STAGES):
        for plugin in names(stage):
            if not _yaml(f"{stage}/{plugin}.yaml").is_file():
                # A plugin from elsewhere has no YAML here: its name alone chooses it.
                one: dict[str, Any] = {"name": plugin} if stage in SINGLE else {plugin: {}}
                store.store(group=stage, name=plugin, node=one)
    return open_sections


SINGLE = ("anatomy", "renderer", "scenario", "detector", "pose")
"""Stages of which a section holds one plugin, `{name: ...}`; of the others it holds several."""


def _yaml(relative: str) -> Path:
    import configs

    return Path(str(configs.__file__)).parent / relative


def _open_sections(schema: type) -> set[str]:
    return {
        field.name
        for field in dataclasses.fields(schema)
        if str(field.type).startswith(("dict", "Mapping"))
    }


def _opened(word: str, sections: set[str]) -> str:
    """`section.key=value` so that hydra adds the key; the plugin's own check comes later."""
    key, equals, _ = word.partition("=")
    section, dot, _ = key.partition(".")
    return f"++{word}" if equals and dot and section in sections else word


def _told(error: Exception, name: str, schema: type, overrides: Sequence[str]) -> Problem:
    """A composition error as one plain line."""
    cause = error.__cause__ or error
    text = str(error)
    keys = [field.name for field in dataclasses.fields(schema)]
    missing = re.search(r"Could not find '(\w+)/([^']+)'", text)
    if missing:
        group, choice = missing.groups()
        known = re.findall(r"^\t(\S+)$", text.split("Config search path")[0], re.M)
        return Problem(f"{group}={choice}", "there is no such choice", nearest(choice, known))
    unknown = re.search(r"Could not override '([^']+)'", text) or re.search(
        r"Key '([^']+)' not in", f"{text} {cause}"
    )
    if unknown:
        key = unknown.group(1)
        return Problem(key, f"squareon {name} has no setting of that name", _near_key(key, schema))
    wrong = re.search(r"Value '(.*)' of type '\w+' could not be converted to (\w+)", str(cause))
    if wrong:
        plain = {"Integer": "a whole number", "Float": "a number", "Boolean": "true or false"}
        expected = plain.get(wrong.group(2), wrong.group(2))
        where = getattr(cause, "full_key", None) or name
        return Problem(str(where), f"expected {expected}, got {wrong.group(1)}", "correct it")
    said = next((word for word in overrides if word in text), "settings")
    return Problem(said, "cannot be understood", f"write key=value; keys: {', '.join(keys)}")


def _near_key(key: str, schema: type) -> str:
    """The nearest valid dotted key, one level into nested dataclasses."""
    known = []
    for field in dataclasses.fields(schema):
        known.append(field.name)
        default = field.default_factory() if callable(field.default_factory) else None
        if dataclasses.is_dataclass(default):
            known += [f"{field.name}.{inner.name}" for inner in dataclasses.fields(default)]
    return nearest(key, known)


def as_yaml(settings: Mapping[str, Any]) -> str:
    """Settings as YAML text."""
    from omegaconf import OmegaConf

    return OmegaConf.to_yaml(OmegaConf.create(dict(settings)))


if __name__ == "__main__":
    sys.exit(main())
