"""What was seen in a photo, kept by its content; where each photo was shown."""

import sqlalchemy as sa
from alembic import op

from pipeline.records.tables import Moment

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.create_table(
        "looks",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("judge", sa.String(length=24), nullable=False),
        sa.Column("seen", sa.LargeBinary(), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", "judge"),
    )
    op.create_index("ix_looks_at", "looks", ["at"], unique=False)
    op.create_table(
        "fingerprints",
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("sha256"),
    )
    op.create_table(
        "showings",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("listing_id", sa.String(length=200), nullable=False),
        sa.Column("seller_id", sa.String(length=200), nullable=False),
        sa.Column("listed_at", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", "listing_id"),
    )
    op.create_index("ix_showings_at", "showings", ["at"], unique=False)
    op.add_column("runs", sa.Column("is_whole", sa.Boolean(), nullable=False, server_default=sa.true()))
