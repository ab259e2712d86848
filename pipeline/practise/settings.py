"""Settings of the practice page, checked before anything is opened."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.knee.errors import Problem
from pipeline.language import speech
from pipeline.review.settings import ServedSettings


@dataclass
class PractiseSettings(ServedSettings):
    """Settings of `squareon practise`: how the page is served, and how the reader reads.

    Attributes:
        sets: teachers' files of exercises.
        advice: whether the reader's own word on each film is shown once the learner has chosen.
        threads: on which a film is rendered.
        language: of the page: en, de.
    """

    port: int = 8418
    sets: list[str] = field(default_factory=list)
    advice: bool = True
    threads: int = 2
    language: str = "en"

    def __post_init__(self) -> None:
        super().__post_init__()
        speech(self.language)
        if not 1 <= self.threads <= 64:
            raise Problem("threads", f"{self.threads} are none to work on", "give 1 to 64")
