"""Settings of local pages, checked before anything is opened."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from pipeline.batch import ReadSettings
from pipeline.knee.errors import Problem
from pipeline.review.guard import is_loopback

LEAST_TOKEN = 16


@dataclass
class ServedSettings(ReadSettings):
    """Settings of a local page: those of `squareon read`, and how the page is served.

    Attributes:
        host: address to listen at; anything but this computer itself needs `token` as well.
        port: to listen at; 0 = any free one.
        token: secret of at least 16 characters that every call carries; empty = made anew, which
            only loopback allows; `new` = made anew for any host and printed once.
        names: further host names (with port) under which a browser may reach the server.
    """

    host: str = "127.0.0.1"
    port: int = 8417
    token: str = ""
    names: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__post_init__()
        if not 0 <= self.port <= 65535:
            raise Problem("port", f"{self.port} is no port", "give a number from 0 to 65535")
        if self.token not in ("", "new") and len(self.token) < LEAST_TOKEN:
            what = f"the token is shorter than {LEAST_TOKEN} characters"
            raise Problem("token", what, "give a longer one, or token=new")
        if not is_loopback(self.host) and not self.token:
            raise Problem(
                "host",
                f"{self.host} can be reached from other computers",
                "add token=new (printed once) or a token of your own",
            )
        if self.host in ("0.0.0.0", "::") and not self.names:
            raise Problem(
                "names",
                "a server on all addresses must know by which names it is called",
                "give them, for example names=[review.example:8417]",
            )

    def read(self) -> ReadSettings:
        """The part that decides a reading."""
        return ReadSettings(
            **{each.name: getattr(self, each.name) for each in fields(ReadSettings)}
        )


@dataclass
class ReviewSettings(ServedSettings):
    """Settings of `squareon review`: those of `squareon read`, and how the page is served.

    Attributes:
        reviewers: names to choose from; empty = any name.
        note: words to show at the top of the page, e.g. that the films are invented.
    """

    reviewers: list[str] = field(default_factory=list)
    note: str = ""
