"""`squareon receive`: films that others push, kept in an inbox folder."""

from __future__ import annotations

import argparse
import signal
import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

from pipeline.archive.inbox.settings import ReceiveSettings
from pipeline.commands.caution import CAUTION
from pipeline.knee.counted import counted

EXAMPLES = """\
examples:
  squareon receive inbox senders=[ROOM1@192.0.2.7] host=192.0.2.1 \\
      certificate=own.pem key=own.key ca_file=site.pem
  SQUAREON_TOKEN_ROOM1=... squareon receive inbox port=-1 web_port=8443 tokens=[ROOM1]
  squareon archive inbox --store archive.sqlite

Films are accepted from the senders named and from nobody else: by C-STORE from an AE title at its
address, by STOW-RS with a token or a certificate. A film is acknowledged when it is on the disk.
The inbox is then read like any folder, while this runs or afterwards. What is turned away is
counted in .rejected.jsonl there, by reason only. Stop it with Ctrl-C.
"""


@dataclass(frozen=True)
class ReceiveCommand:
    """Accepts films that others push."""

    help: ClassVar[str] = "accept films pushed by C-STORE or STOW-RS into an inbox folder"
    settings: ClassVar[type | None] = ReceiveSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("inbox", type=Path, metavar="INBOX", help="folder for the films")

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        # Only this command needs the libraries that listen.
        from pipeline.archive.inbox.doors import open_doors

        wanted = ReceiveSettings(**settings)
        stop = threading.Event()
        signal.signal(signal.SIGTERM, lambda *_: stop.set())  # as service managers ask
        with (
            open_doors(arguments.inbox, wanted, lambda words: print(words, flush=True)) as inbox,
            suppress(KeyboardInterrupt),
        ):
            stop.wait()
        print(
            f"{counted(inbox.kept, 'film')} kept in {arguments.inbox}, "
            f"{inbox.doubles} there already, {inbox.rejections.count} turned away"
        )
        print(CAUTION)
        return 0
