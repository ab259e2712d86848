"""The tables as the newest migration leaves them.

`readings` and `history` only grow: triggers refuse UPDATE and DELETE. `seal` holds the history's
last hash under the store's key. `heads` and `tags` are made from the history and can be made
again; `verify` compares them with it. `models`, `films` and `film_names` are the ledger of an
archive: what became of each content under each model, and the keyed digests of its names.
`acquisitions` holds how each film was made, in codes (`acquisitions.py`).
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData()

about = Table(
    "about",
    metadata,
    Column("name", String, primary_key=True),
    Column("value", Text, nullable=False),
)

readings = Table(
    "readings",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("sha256", String, nullable=False),
    Column("frame", Integer, nullable=False),  # 0 for a film that has no frames
    Column("knee", Integer, nullable=False),
    Column("weights", String, nullable=False),
    Column("config_sha256", String, nullable=False),
    UniqueConstraint("sha256", "frame", "knee", "weights", "config_sha256", name="one_reading"),
)

history = Table(
    "history",
    metadata,
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("reading_id", Integer, ForeignKey("readings.id"), nullable=False),
    Column("revision", Integer, nullable=False),
    Column("kind", String, nullable=False),
    Column("outcome", String, nullable=False),
    Column("role", String, nullable=False),
    Column("who", String, nullable=False),
    Column("at", String, nullable=False),
    Column("program", String, nullable=False),
    Column("weights", String, nullable=False),
    Column("config_sha256", String, nullable=False),
    Column("reason", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("previous", String, nullable=False),
    Column("hash", String, nullable=False),
    UniqueConstraint("reading_id", "revision", name="one_revision"),
)

seal = Table(
    "seal",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),  # one row, 1
    Column("sequence", Integer, nullable=False),
    Column("hash", String, nullable=False),
    Column("seal", String, nullable=False),
)

heads = Table(
    "heads",
    metadata,
    Column("reading_id", Integer, ForeignKey("readings.id"), primary_key=True, autoincrement=False),
    Column("revision", Integer, nullable=False),
    Column("state", String, nullable=False),
    Column("decided", Integer, nullable=False),
    Column("gain", Float, nullable=False),
    Column("source", Text, nullable=False),
    Column("location", Text, nullable=False),
    Column("study", String),
    Column("view", String),
    Column("side", String),
    Column("verdict", String),
    Column("rotation_deg", Float),
    Column("tilt_deg", Float),
    Column("uncertainty", Float),
    Column("square_probability", Float),
    Column("view_probability", Float),
    Column("side_probability", Float),
    Column("refused", Text),
    Column("changed_at", String, nullable=False),
    Column("first_reader", String),
    Column("second_reader", String),
)
Index("heads_most_to_gain", heads.c.decided, heads.c.gain.desc(), heads.c.reading_id)
Index("heads_study", heads.c.study)
Index("heads_state", heads.c.state)

tags = Table(
    "tags",
    metadata,
    Column("tag", String, primary_key=True),
    Column("reading_id", Integer, ForeignKey("readings.id"), primary_key=True, autoincrement=False),
)
Index("tags_reading", tags.c.reading_id)

models = Table(
    "models",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("weights", String, nullable=False),
    Column("config_sha256", String, nullable=False),
    UniqueConstraint("weights", "config_sha256", name="one_model"),
)

films = Table(
    "films",
    metadata,
    Column("sha256", String, primary_key=True),  # of the content, as in `readings`
    Column("model", Integer, ForeignKey("models.id"), primary_key=True, autoincrement=False),
    Column("state", String, nullable=False),  # read, refused, failed
    Column("readings", Integer, nullable=False),
    Column("what", Text),  # why it was refused or failed; names no file
    Column("tries", Integer, nullable=False),
    Column("at", String, nullable=False),
)
Index("films_state", films.c.model, films.c.state)

film_names = Table(
    "film_names",
    metadata,
    Column("name", String, primary_key=True),  # keyed digest of source and name
    Column("sha256", String),  # None while it could not be fetched
    Column("bytes", BigInteger),
    Column("stamp", BigInteger),
    Column("what", Text),  # why it could not be fetched
    Column("at", String, nullable=False),
)
Index("film_names_sha256", film_names.c.sha256)

acquisitions = Table(
    "acquisitions",
    metadata,
    Column("sha256", String, primary_key=True),  # of the content, as in `readings`
    Column("instance", String),  # keyed digest of the SOP Instance UID
    Column("operator", String),
    Column("station", String),
    Column("day", String),  # YYYY-MM-DD
    Column("modality", String),
    Column("body_part", String),
    Column("reject", String),
)
Index("acquisitions_day", acquisitions.c.day)
Index("acquisitions_instance", acquisitions.c.instance)

codes = Table(
    "codes",
    metadata,
    Column("code", String, primary_key=True),  # what stands in `acquisitions`
    Column("kind", String, nullable=False),  # operator or station
    Column("label", String, nullable=False),  # the site's own code for it
)

COPIED = (readings, history, models, films, film_names, acquisitions, codes)
"""What a copy of a store takes over, in this order; `heads` and `tags` are made again."""
