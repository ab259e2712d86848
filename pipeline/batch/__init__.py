"""Many films: read study by study in processes of their own, a crash costing one film.

`settings.py` builds the stages, `worker.py` reads the files of one study, `processes.py` runs
any such work in several processes, `folder.py` is `squareon read`: one output folder, a journal,
resumed.
"""

from pipeline.batch.folder import Outcome, read_batch
from pipeline.batch.settings import ReadSettings, digest_of_settings, parts_of, readers_of

__all__ = [
    "Outcome",
    "ReadSettings",
    "digest_of_settings",
    "parts_of",
    "read_batch",
    "readers_of",
]
