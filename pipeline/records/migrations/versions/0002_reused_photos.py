"""Which photo of which other listing the scan knew again."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make it."""
    op.create_table(
        "reused_photos",
        sa.Column("assessment_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("photo", sa.String(length=64), nullable=False),
        sa.Column("other_listing", sa.String(length=200), nullable=False),
        sa.Column("other_photo", sa.String(length=64), nullable=False),
        sa.Column("is_mirrored", sa.Boolean(), nullable=False),
        sa.Column("shows", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(["assessment_id"], ["assessments.id"]),
        sa.ForeignKeyConstraint(["photo"], ["photos.sha256"]),
        sa.ForeignKeyConstraint(["other_photo"], ["photos.sha256"]),
        sa.PrimaryKeyConstraint("assessment_id", "position"),
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("reused_photos")
