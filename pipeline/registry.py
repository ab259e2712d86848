"""Finds plugins by name, loads the one chosen, checks its options and builds it.

A plugin is an entry point in the group `squareon.<stage>`, or an object reference
`module:Class` given in place of a name. Names are listed without importing anything.
"""

from __future__ import annotations

import dataclasses
import difflib
import inspect
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

from pipeline.contracts import STAGES
from pipeline.knee.errors import Problem


@dataclass(frozen=True)
class PluginInfo:
    """One plugin as its distribution declares it.

    Attributes:
        stage: a key of `pipeline.contracts.STAGES`.
        name: what a config or the command line calls it.
        distribution, version: the package it comes from.
        object_reference: `module:attribute` of the class.
        error: why it cannot be used; None where nothing is known against it.
    """

    stage: str
    name: str
    distribution: str
    version: str
    object_reference: str
    error: str | None = None


def nearest(word: str, choices: Iterable[str]) -> str:
    """A clause naming the nearest valid name, or all of them where none is near."""
    known = sorted(choices)
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    if close:
        return f"did you mean {close[0]}"
    return f"choose one of {', '.join(known)}" if known else "there is none to choose from"


def _declared(stage: str) -> list[EntryPoint]:
    if stage not in STAGES:
        raise Problem(stage, "is no stage of the pipeline", nearest(stage, STAGES))
    found = entry_points(group=f"squareon.{stage}")
    return sorted(found, key=lambda entry: (entry.name, entry.value))


def names(stage: str) -> list[str]:
    """Names of the plugins of one stage, sorted; nothing is imported."""
    return sorted({entry.name for entry in _declared(stage)})


def list_plugins(*, check: bool = False, stage: str | None = None) -> list[PluginInfo]:
    """Every plugin of every stage, or of one.

    With `check`, each is loaded and `error` says what failed.
    """
    plugins = []
    for each in STAGES if stage is None else (stage,):
        for entry in _declared(each):
            error = None
            if check:
                try:
                    load(each, entry.name)
                except Problem as problem:
                    error = problem.what
            plugins.append(
                PluginInfo(
                    stage=each,
                    name=entry.name,
                    distribution=entry.dist.name if entry.dist else "unknown",
                    version=entry.dist.version if entry.dist else "unknown",
                    object_reference=entry.value,
                    error=error,
                )
            )
    return plugins


def load(stage: str, name: str) -> type:
    """The class called `name`. Raises `Problem` where it is unknown, ambiguous or broken."""
    where = f"{stage} {name}"
    if ":" in name:
        entry = EntryPoint(name=name, value=name, group=f"squareon.{stage}")
    else:
        declared = [entry for entry in _declared(stage) if entry.name == name]
        if not declared:
            raise Problem(where, "no plugin has that name", nearest(name, names(stage)))
        if len(declared) > 1:
            owners = " and ".join(entry.dist.name if entry.dist else "?" for entry in declared)
            raise Problem(
                where,
                f"{owners} both offer a plugin of that name",
                f"uninstall one of them, or write {declared[0].value} in place of the name",
            )
        entry = declared[0]
    try:
        plugin = entry.load()
    except (Exception, SystemExit) as error:
        # A plugin is somebody else's code: whatever it raises must not end the program.
        reason = str(error).splitlines()[0] if str(error) else "no reason given"
        raise Problem(
            where,
            f"{entry.value} failed to load ({type(error).__name__}: {reason})",
            "repair or uninstall the package that offers it",
        ) from error
    if not isinstance(plugin, type):
        raise Problem(
            where, f"{entry.value} is not a class", "point the entry point at a dataclass"
        )
    missing = [part for part in _members(STAGES[stage]) if not hasattr(plugin, part)]
    if missing:
        raise Problem(
            where,
            f"{entry.value} has no {' and no '.join(missing)}",
            f"give it what the contract {STAGES[stage].__name__} asks for",
        )
    return plugin


def _members(protocol: type) -> list[str]:
    """The contract's methods: what a class must have before it is built."""
    return sorted(
        name for name, value in vars(protocol).items() if name[0] != "_" and callable(value)
    )


def build(stage: str, name: str, options: Mapping[str, Any] | None = None) -> Any:
    """A plugin with its options. Raises `Problem` for unknown names and wrong types."""
    plugin = load(stage, name)
    where = f"{stage} {name}"
    arguments = check_options(plugin, options or {}, where)
    try:
        built = plugin(**arguments)
    except Problem:
        raise
    except Exception as error:
        raise Problem(
            where, f"could not be built ({type(error).__name__}: {error})", "check its options"
        ) from error
    if not fulfils(built, STAGES[stage]):
        raise Problem(
            where,
            f"does not fulfil the contract {STAGES[stage].__name__}",
            "compare it with the guide to that contract",
        )
    return built


def fulfils(built: Any, protocol: type) -> bool:
    """Whether an object has all members of a contract.

    As isinstance, but no property is evaluated: reading `weights` may open files.
    """
    absent = object()
    wanted = {*vars(protocol), *vars(protocol).get("__annotations__", {})}
    public = (name for name in wanted if not name.startswith("_"))
    return all(inspect.getattr_static(built, name, absent) is not absent for name in public)


def build_section(stage: str, section: Mapping[str, Any]) -> Any:
    """The plugin a config section describes: `{name: ..., option: value, ...}`."""
    options = dict(section)
    name = options.pop("name", None)
    if not isinstance(name, str):
        raise Problem(stage, "the section names no plugin", f"add {stage}.name to it")
    return build(stage, name, options)


def build_each(stage: str, section: Mapping[str, Mapping[str, Any] | None]) -> dict[str, Any]:
    """The plugins of a section `{plugin name: {option: value}}`, in its order."""
    return {name: build(stage, name, options) for name, options in section.items()}


def check_options(target: Any, options: Mapping[str, Any], where: str) -> dict[str, Any]:
    """`options` as constructor arguments of the dataclass `target`, each of its field's type.

    Numbers are never made of text, nor whole numbers of fractions. A list becomes the tuple a
    field asks for. A field that holds a stage's contract takes a section `{name: ...}` and gets
    the plugin built. Raises `Problem` naming `where`, the option, and the nearest valid name.
    """
    if not dataclasses.is_dataclass(target):
        if options:
            raise Problem(where, "takes no options", f"leave out {', '.join(options)}")
        return {}
    fields = {field.name: field for field in dataclasses.fields(target) if field.init}
    try:
        hints = typing.get_type_hints(target)
    except NameError as error:
        raise Problem(
            where, f"the type of an option is unknown ({error})", "import it where it is used"
        ) from error
    checked = {}
    for key, value in options.items():
        if key not in fields:
            raise Problem(where, f"has no option {key}", nearest(key, fields))
        try:
            checked[key] = _as(hints[key], value)
        except _WrongTypeError:
            raise Problem(
                f"{where}, option {key}",
                f"expected {_words(hints[key])}, got {value!r}",
                "correct the value",
            ) from None
    required = [
        key
        for key, field in fields.items()
        if field.default is dataclasses.MISSING
        and field.default_factory is dataclasses.MISSING
        and key not in checked
    ]
    if required:
        raise Problem(where, f"needs a value for {', '.join(required)}", "give one")
    return checked


class _WrongTypeError(Exception):
    pass


def _as(hint: Any, value: Any) -> Any:
    """`value` as the type `hint`, or `_WrongTypeError`."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    if hint is Any:
        return value
    if origin is typing.Literal:
        return _keep(value, value in arguments)
    if origin in (typing.Union, types.UnionType):
        for choice in arguments:
            try:
                return _as(choice, value)
            except _WrongTypeError:
                continue
        raise _WrongTypeError
    if origin in (tuple, list, Sequence):
        return _sequence(origin, arguments, value)
    if origin in (dict, Mapping):
        _keep(value, isinstance(value, Mapping))
        key_hint, value_hint = arguments
        return {_as(key_hint, key): _as(value_hint, item) for key, item in value.items()}
    if hint is None or hint is type(None):
        return _keep(value, value is None)
    return _single(hint, value)


def _single(hint: Any, value: Any) -> Any:
    """As `_as`, for types without arguments."""
    if hint is float:
        _keep(value, isinstance(value, int | float) and not isinstance(value, bool))
        return float(value)
    if hint is int:
        return _keep(value, isinstance(value, int) and not isinstance(value, bool))
    if hint is Path:
        return Path(_keep(value, isinstance(value, str | Path)))
    for stage, contract in STAGES.items():
        if hint is contract:
            return _part(stage, contract, value)
    if dataclasses.is_dataclass(hint) and isinstance(value, Mapping):
        return typing.cast(Any, hint)(**check_options(hint, value, _words(hint)))
    return _keep(value, isinstance(hint, type) and isinstance(value, hint))


def _sequence(origin: Any, arguments: tuple[Any, ...], value: Any) -> Any:
    _keep(value, isinstance(value, Sequence) and not isinstance(value, str))
    if origin is tuple and arguments[-1:] != (Ellipsis,):
        _keep(value, len(value) == len(arguments))
        return tuple(_as(hint, item) for hint, item in zip(arguments, value, strict=True))
    items = [_as(arguments[0], item) for item in value]
    return items if origin is list else tuple(items)


def _part(stage: str, contract: type, value: Any) -> Any:
    if isinstance(value, str):
        return build(stage, value)
    if isinstance(value, Mapping):
        return build_section(stage, value)
    return _keep(value, fulfils(value, contract))


def _keep(value: Any, fits: bool) -> Any:
    if not fits:
        raise _WrongTypeError
    return value


def _words(hint: Any) -> str:
    """A type in plain words, for an error message."""
    origin, arguments = typing.get_origin(hint), typing.get_args(hint)
    plain = {int: "a whole number", float: "a number", str: "text", bool: "true or false"}
    if hint in plain:
        return plain[hint]
    if hint is None or hint is type(None):
        return "null"
    if origin is typing.Literal:
        return "one of " + ", ".join(str(choice) for choice in arguments)
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_words(choice) for choice in arguments)
    if origin is tuple and arguments[-1:] != (Ellipsis,):
        return f"a list of {len(arguments)}"
    if origin in (tuple, list, Sequence):
        return f"a list, each {_words(arguments[0])}"
    if origin in (dict, Mapping):
        return "a mapping"
    return str(getattr(hint, "__name__", hint))
