"""`squareon review`: a local page on which a person looks, changes and decides."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from pipeline.commands.caution import CAUTION
from pipeline.review.settings import ReviewSettings

EXAMPLES = """\
examples:
  squareon review results
  squareon review results align.tolerance=strict reviewers=[ada,ben]
  squareon review results --no-browser port=0
  squareon review postgresql+psycopg://store/reviews
  squareon review results host=192.0.2.7 token=new

TARGET is a folder that squareon read wrote (its store is kept in it as store.sqlite), the file
of a store, or the address of one. The page is served to this computer alone unless host and
token are given. Ctrl-C ends it; what was decided is kept, and so are drafts in the browser.
"""


@dataclass(frozen=True)
class ReviewCommand:
    """Serves the review page."""

    help: ClassVar[str] = "look at readings over their films, change them, decide"
    settings: ClassVar[type] = ReviewSettings

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.epilog = EXAMPLES
        parser.add_argument("target", metavar="TARGET", help="folder of results, or a store")
        parser.add_argument(
            "--no-browser", action="store_true", help="print the address, open no browser"
        )

    def run(self, arguments: argparse.Namespace, settings: Mapping[str, Any]) -> int:
        from pipeline.records.store import open_store  # neither is light
        from pipeline.review.serve import serve

        chosen = ReviewSettings(**settings)
        with open_store(arguments.target) as store:
            print(CAUTION)
            serve(store, chosen, browser=not arguments.no_browser)
        return 0
