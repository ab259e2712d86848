"""The ledger of films: what was read of an archive, refused or failed, by which model."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    op.create_table(
        "models",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("weights", sa.String, nullable=False),
        sa.Column("config_sha256", sa.String, nullable=False),
        sa.UniqueConstraint("weights", "config_sha256", name="one_model"),
    )
    op.create_table(
        "films",
        sa.Column("sha256", sa.String, primary_key=True),
        sa.Column(
            "model",
            sa.Integer,
            sa.ForeignKey("models.id"),
            primary_key=True,
            autoincrement=False,
        ),
        sa.Column("state", sa.String, nullable=False),
        sa.Column("readings", sa.Integer, nullable=False),
        sa.Column("what", sa.Text),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("at", sa.String, nullable=False),
    )
    op.create_index("films_state", "films", ["model", "state"])
    op.create_table(
        "film_names",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("sha256", sa.String),
        sa.Column("bytes", sa.BigInteger),
        sa.Column("stamp", sa.BigInteger),
        sa.Column("what", sa.Text),
        sa.Column("at", sa.String, nullable=False),
    )
    op.create_index("film_names_sha256", "film_names", ["sha256"])
