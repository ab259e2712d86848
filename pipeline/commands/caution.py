"""What every command that tells about films says at its end."""

from __future__ import annotations

CAUTION = (
    "Proposals for human review, made for research and teaching; not for guidance of any procedure."
)
