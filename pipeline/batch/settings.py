"""What decides a reading, and the stages built from it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass
from importlib.metadata import version
from typing import Any

from pipeline.align.options import AlignOptions
from pipeline.contracts import FilmReader
from pipeline.fit.plausibility import Plausibility
from pipeline.knee.errors import Problem
from pipeline.knee.reading import MadeBy
from pipeline.registry import build_each, build_section, check_options, load
from pipeline.run import Parts


@dataclass
class ReadSettings:
    """What decides a reading; a section of `configs/read.yaml` each.

    Attributes:
        detector, pose: one plugin each, `{name: ..., option: value}`.
        reader, criterion, target, writer: several plugins, `{name: {option: value}}`.
        align: options of the verdict (`pipeline.align.options.AlignOptions`).
        min_view_probability: a film whose view is less certain is refused.
        plausibility: options of the rule by which what is hardly a knee is refused
            (`pipeline.fit.plausibility.Plausibility`).
        workers: processes; 0 = one per core, 1 = none but this one.
    """

    detector: dict[str, Any] = field(default_factory=dict)
    pose: dict[str, Any] = field(default_factory=dict)
    reader: dict[str, Any] = field(default_factory=dict)
    criterion: dict[str, Any] = field(default_factory=dict)
    target: dict[str, Any] = field(default_factory=dict)
    writer: dict[str, Any] = field(default_factory=dict)
    align: dict[str, Any] = field(default_factory=dict)
    plausibility: dict[str, Any] = field(default_factory=dict)
    min_view_probability: float = 0.6
    workers: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.min_view_probability <= 1:
            what = f"{self.min_view_probability:g} is no probability"
            raise Problem("min_view_probability", what, "give a number from 0 to 1")
        if self.workers < 0:
            raise Problem("workers", "there are no fewer than none", "give 0 or more")


def parts_of(settings: ReadSettings, threads: int = 0) -> Parts:
    """Builds the stages. Raises `Problem` for whatever the settings have wrong.

    `threads`: given to a detector that has an option of that name and no value for it; 0 = none.
    """
    align = AlignOptions(**check_options(AlignOptions, settings.align, "align"))
    plausibility = check_options(Plausibility, settings.plausibility, "plausibility")
    section = dict(settings.detector)
    if threads and "threads" in _options_of("detector", section):
        section.setdefault("threads", threads)
    detector = build_section("detector", section)
    return Parts(
        detector=detector,
        pose=build_section("pose", settings.pose),
        align=align,
        criteria=tuple(build_each("criterion", settings.criterion).values()),
        targets=tuple(build_each("target", settings.target).values()),
        writers=tuple(build_each("writer", settings.writer).values()),
        made_by=MadeBy(
            version=version("squareon"),
            weights=detector.weights,
            config_sha256=digest_of_settings(settings),
            seed=0,
        ),
        min_view_probability=settings.min_view_probability,
        plausibility=Plausibility(**plausibility),
    )


def readers_of(settings: ReadSettings) -> tuple[FilmReader, ...]:
    """The film readers, in the order in which they are tried."""
    return tuple(build_each("reader", settings.reader).values())


def _options_of(stage: str, section: Mapping[str, Any]) -> set[str]:
    plugin = load(stage, str(section.get("name")))
    return {option.name for option in fields(plugin)} if is_dataclass(plugin) else set()


def digest_of_settings(settings: ReadSettings) -> str:
    """SHA-256 of everything that decides a reading; the number of workers does not."""
    values = {key: value for key, value in vars(settings).items() if key != "workers"}
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()
