"""Reads one file with the first reader that takes it."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path

from pipeline.contracts import FilmReader
from pipeline.knee.errors import Problem
from pipeline.knee.film import Film
from pipeline.readers.files import cannot_open, check_file


def read_films(path: Path | str, readers: Sequence[FilmReader]) -> Iterator[Film]:
    """The films in one file, one per frame, as they are decoded.

    Args:
        readers: tried in this order; the first whose `accepts` says yes reads the file.

    Raises `Problem` and nothing else for whatever is wrong with the file; frames before the one
    that fails have been yielded by then. Texts of libraries are left out of it: they may quote
    what a header says about a patient.
    """
    path = Path(path)
    check_file(path)
    films = _films(path, readers)
    while True:
        try:
            # Libraries warn about values that they quote; what matters is in cautions.
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                film = next(films)
        except StopIteration:
            return
        except Problem:
            raise
        except OSError as error:
            if error.errno is None:
                raise _unexpected(path, error) from error
            raise cannot_open(path, error) from None
        except MemoryError:
            raise Problem(
                str(path), "needs more memory than there is", "close other programs or shrink it"
            ) from None
        except Exception as error:
            raise _unexpected(path, error) from error
        yield film


def _films(path: Path, readers: Sequence[FilmReader]) -> Iterator[Film]:
    for reader in readers:
        if reader.accepts(path):
            count = 0
            for count, film in enumerate(reader.read(path), start=1):  # noqa: B007
                yield film
            if not count:
                raise Problem(str(path), "holds no picture", "remove it from the list")
            return
    raise Problem(
        str(path),
        "is no picture in a format that is read",
        "give DICOM, PNG, JPEG, TIFF, NRRD, MetaImage or NIfTI",
    )


def _unexpected(path: Path, error: Exception) -> Problem:
    return Problem(
        str(path),
        f"is damaged or unlike its format ({type(error).__name__})",
        "copy or export the film again",
    )
