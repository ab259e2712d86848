"""Readings, their history and its seal, the worklist and tags."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

APPEND_ONLY = ("readings", "history")


def upgrade() -> None:
    op.create_table(
        "about",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("sha256", sa.String, nullable=False),
        sa.Column("frame", sa.Integer, nullable=False),
        sa.Column("knee", sa.Integer, nullable=False),
        sa.Column("weights", sa.String, nullable=False),
        sa.Column("config_sha256", sa.String, nullable=False),
        sa.UniqueConstraint(
            "sha256", "frame", "knee", "weights", "config_sha256", name="one_reading"
        ),
    )
    op.create_table(
        "history",
        sa.Column("sequence", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("reading_id", sa.Integer, sa.ForeignKey("readings.id"), nullable=False),
        sa.Column("revision", sa.Integer, nullable=False),
        *(
            sa.Column(name, sa.String, nullable=False)
            for name in (
                "kind",
                "outcome",
                "role",
                "who",
                "at",
                "program",
                "weights",
                "config_sha256",
            )
        ),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("payload", sa.Text, nullable=False),
        sa.Column("previous", sa.String, nullable=False),
        sa.Column("hash", sa.String, nullable=False),
        sa.UniqueConstraint("reading_id", "revision", name="one_revision"),
    )
    op.create_table(
        "seal",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("sequence", sa.Integer, nullable=False),
        sa.Column("hash", sa.String, nullable=False),
        sa.Column("seal", sa.String, nullable=False),
    )
    op.create_table(
        "heads",
        sa.Column(
            "reading_id",
            sa.Integer,
            sa.ForeignKey("readings.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("decided", sa.Integer, nullable=False),
        sa.Column("gain", sa.Float, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("location", sa.Text, nullable=False),
        sa.Column("study", sa.String),
        sa.Column("view", sa.String),
        sa.Column("side", sa.String),
        sa.Column("verdict", sa.String),
        *(
            sa.Column(name, sa.Float)
            for name in (
                "rotation_deg",
                "tilt_deg",
                "uncertainty",
                "square_probability",
                "view_probability",
                "side_probability",
            )
        ),
        sa.Column("refused", sa.Text),
        sa.Column("changed_at", sa.String, nullable=False),
    )
    op.create_index("heads_most_to_gain", "heads", ["decided", sa.text("gain DESC"), "reading_id"])
    op.create_index("heads_study", "heads", ["study"])
    op.create_table(
        "tags",
        sa.Column("tag", sa.String, primary_key=True),
        sa.Column(
            "reading_id",
            sa.Integer,
            sa.ForeignKey("readings.id"),
            primary_key=True,
            autoincrement=False,
        ),
    )
    op.create_index("tags_reading", "tags", ["reading_id"])
    guard()


def guard() -> None:
    """Triggers that refuse to change or delete what was written."""
    if op.get_bind().dialect.name == "sqlite":
        for table in APPEND_ONLY:
            for word in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{word.lower()} BEFORE {word} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} only grows'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION squareon_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% only grows', TG_TABLE_NAME; END $$"
    )
    for table in APPEND_ONLY:
        op.execute(
            f"CREATE TRIGGER {table}_only_grows BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION squareon_only_grows()"
        )
