"""Random looks of every night, and crops worth a label."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add them."""
    op.create_table(
        "random_nights",
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("top", sa.Integer(), nullable=False),
        sa.Column("rest", sa.Integer(), nullable=False),
        sa.Column("cut_probability", sa.Double(), nullable=False),
        sa.Column("cut_listing_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"]),
        sa.PrimaryKeyConstraint("run_id"),
    )
    op.create_table(
        "random_looks",
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["listing_id"], ["listings.id"]),
        sa.ForeignKeyConstraint(["run_id"], ["runs.id"]),
        sa.PrimaryKeyConstraint("listing_id"),
    )
    op.create_index("ix_random_looks_run_id", "random_looks", ["run_id"], unique=False)
    op.create_table(
        "worth_a_label",
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("photo", sa.String(length=64), nullable=False),
        sa.Column("part", sa.String(length=24), nullable=False),
        sa.Column("box", sa.JSON(), nullable=False),
        sa.Column("cue", sa.String(length=40), nullable=False),
        sa.Column("told", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["listing_id"], ["listings.id"]),
        sa.ForeignKeyConstraint(["photo"], ["photos.sha256"]),
        sa.PrimaryKeyConstraint("position"),
    )


def downgrade() -> None:
    """Take them away again."""
    op.drop_table("worth_a_label")
    op.drop_index("ix_random_looks_run_id", "random_looks")
    op.drop_table("random_looks")
    op.drop_table("random_nights")
