"""Settings of the house that were changed on the page."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from pipeline.records.tables import Moment

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make it."""
    op.create_table(
        "changed_settings",
        sa.Column("name", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("changed_by", sa.Integer(), nullable=False),
        sa.Column("changed_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(["changed_by"], ["people.id"]),
        sa.PrimaryKeyConstraint("name"),
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("changed_settings")
