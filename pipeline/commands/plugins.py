"""`squareon plugins`: what is found, from where, and why one cannot be used."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from pipeline.registry import list_plugins


@dataclass(frozen=True)
class PluginsCommand:
    """Lists the plugins of every stage."""

    help: ClassVar[str] = "list the plugins that are found, and why one cannot be used"
    settings: ClassVar[type | None] = None

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = "examples:\n  squareon plugins\n  squareon plugins --stage detector"
        parser.add_argument("--stage", metavar="STAGE", help="only this stage")

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        found = list_plugins(check=True, stage=arguments.stage)
        rows = [("stage", "name", "from", "object", "state")]
        rows += [
            (
                plugin.stage,
                plugin.name,
                f"{plugin.distribution} {plugin.version}",
                plugin.object_reference,
                plugin.error or "ok",
            )
            for plugin in found
        ]
        widths = [max(len(row[column]) for row in rows) for column in range(4)]
        for row in rows:
            cells = [text.ljust(width) for text, width in zip(row, widths, strict=False)]
            print("  ".join([*cells, row[4]]))
        return 1 if any(plugin.error for plugin in found) else 0
