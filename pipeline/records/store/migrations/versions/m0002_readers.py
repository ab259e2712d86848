"""The worklist knows who has read, so that it can show what still waits for one reader."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    op.add_column("heads", sa.Column("first_reader", sa.String))
    op.add_column("heads", sa.Column("second_reader", sa.String))
    op.create_index("heads_state", "heads", ["state"])
