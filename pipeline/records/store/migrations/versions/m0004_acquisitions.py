"""How films were acquired: by whom, where, on which day, and why one was rejected, all in codes."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    op.create_table(
        "acquisitions",
        sa.Column("sha256", sa.String, primary_key=True),
        *(
            sa.Column(name, sa.String)
            for name in (
                "instance",
                "operator",
                "station",
                "day",
                "modality",
                "body_part",
                "reject",
            )
        ),
    )
    op.create_index("acquisitions_day", "acquisitions", ["day"])
    op.create_index("acquisitions_instance", "acquisitions", ["instance"])
    op.create_table(
        "codes",
        sa.Column("code", sa.String, primary_key=True),
        sa.Column("kind", sa.String, nullable=False),
        sa.Column("label", sa.String, nullable=False),
    )
