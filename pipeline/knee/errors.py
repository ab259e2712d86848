"""The one exception a user ever sees: where, what is wrong, what to do."""

from __future__ import annotations


class Problem(Exception):
    """Something outside the program is wrong; the text is shown to the user as it is.

    Args:
        source: the file, folder, option or plugin that is wrong.
        what: one clause saying what is wrong with it.
        do: one clause saying what the user can do about it.
    """

    def __init__(self, source: str, what: str, do: str) -> None:
        super().__init__(f"{source}: {what}; {do}.")
        self.source = source
        self.what = what
        self.do = do

    def __reduce__(self) -> tuple[type[Problem], tuple[str, str, str]]:
        return (type(self), (self.source, self.what, self.do))
