"""Photos known again that are not in this database are named, too."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make room for them."""
    with op.batch_alter_table("reused_photos") as table:
        table.add_column(sa.Column("other_seller", sa.String(length=200), nullable=False, server_default=""))
        table.alter_column("other_photo", existing_type=sa.String(length=64), nullable=True)


def downgrade() -> None:
    """Forget those that can't be shown."""
    op.execute("DELETE FROM reused_photos WHERE other_photo IS NULL")
    with op.batch_alter_table("reused_photos") as table:
        table.alter_column("other_photo", existing_type=sa.String(length=64), nullable=False)
        table.drop_column("other_seller")
