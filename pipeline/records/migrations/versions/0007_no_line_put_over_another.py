"""SQLite's INSERT OR REPLACE puts a row over another without asking the trigger that refuses to remove one."""

from __future__ import annotations

from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Refuse that, too."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE TRIGGER audit_no_replace BEFORE INSERT ON audit "
            "WHEN EXISTS (SELECT 1 FROM audit WHERE id = NEW.id) "
            "BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END"
        )


def downgrade() -> None:
    """As it was."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute("DROP TRIGGER audit_no_replace")
