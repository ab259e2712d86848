"""The suites of the benchmark: named, versioned, made from seeds, never downloaded.

Every suite reads the same seeds, so wherever a suite leaves the anatomy alone it shows the same
people in the same beams, and two suites, like two entries, can be compared person by person.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.bench.suite import Condition, conditions_of
from pipeline.knee.errors import Problem
from pipeline.registry import build_section, nearest

OWN = "own"
"""The suite that is a folder of the user's own films."""


@dataclass(frozen=True)
class Suite:
    """One suite.

    Attributes:
        name: as in `configs/suite/exam.yaml`.
        about: one clause: what its films are.
        version: raised whenever its films change.
        beside: the suite it is compared with; empty: none.
        scenario: one plugin, `{name: ..., option: value}`.
        seeds: the films are those of these seeds.
        per_subject: so many films (of consecutive seeds) show one person.
    """

    name: str
    about: str
    version: int
    beside: str
    scenario: Mapping[str, Any]
    seeds: Sequence[int] = field(default_factory=tuple)
    per_subject: int = 1

    @property
    def key(self) -> str:
        """Name, version and what makes the films: the name of its folder."""
        made = json.dumps([self.scenario, data_version(self.scenario)], sort_keys=True)
        return f"{self.name}-v{self.version}-{hashlib.sha256(made.encode()).hexdigest()[:8]}"

    def subject(self, seed: int) -> int:
        """Who is on the film of that seed."""
        return seed // self.per_subject

    @staticmethod
    def film(seed: int) -> str:
        """Name of the film of that seed, without ending."""
        return f"film-{seed:09d}"


def data_version(scenario: Mapping[str, Any]) -> str:
    """Class of the scenario and, where its module says so, the version of its films."""
    import sys

    kind = type(build_section("scenario", scenario))
    told = getattr(sys.modules.get(kind.__module__), "DATA_VERSION", "unnumbered")
    return f"{kind.__name__} {told}"


def suites_of(
    base: Mapping[str, Any], named: Mapping[str, Any], seeds: Sequence[int], chosen: Sequence[str]
) -> dict[str, Suite]:
    """The chosen suites (none: all), in their order.

    Args:
        base: the scenario section that suites change.
        named: by name `{about, version, beside, scenario}`.

    Raises:
        Problem: a name is no suite's, a suite changes something that is no section, or a plugin
            cannot be built.
    """
    for name in chosen:
        if name != OWN and name not in named:
            raise Problem(f"suites={name}", "there is no such suite", nearest(name, [*named, OWN]))
    conditions = conditions_of(Condition(scenario=base), named)
    found = {}
    for name, condition in conditions.items():
        if chosen and name not in chosen:
            continue
        found[name] = Suite(
            name=name,
            about=condition.about,
            version=condition.version,
            beside=condition.beside,
            scenario=condition.scenario,
            seeds=tuple(seeds),
            per_subject=int(condition.scenario.get("films_per_knee", 1) or 1),
        )
        build_section("scenario", condition.scenario)  # a mistake is told before any work
    return found
