"""First tables."""

import sqlalchemy as sa
from alembic import op

from pipeline.records.tables import Moment

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("what", sa.String(length=40), nullable=False),
        sa.Column("listing", sa.String(length=200), nullable=True),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_audit_listing", "audit", ["listing"], unique=False)

    op.create_table(
        "people",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("is_active", sa.Boolean(), nullable=False),
        sa.Column("made_at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("name"),
    )
    op.create_table(
        "photos",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("sha256"),
    )
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("fingerprint", sa.String(length=64), nullable=False),
        sa.Column("photos_root", sa.Text(), nullable=False),
        sa.Column("model", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.Column("taken_in_at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("fingerprint"),
    )
    op.create_table(
        "sign_in_tries",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_tries_by_address", "sign_in_tries", ["address", "at"], unique=False)
    op.create_index("ix_tries_by_name", "sign_in_tries", ["name", "at"], unique=False)

    op.create_table(
        "invitations",
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("ends_at", Moment(), nullable=False),
        sa.Column("used_at", Moment(), nullable=True),
        sa.ForeignKeyConstraint(
            ["made_by"],
            ["people.id"],
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["people.id"],
        ),
        sa.PrimaryKeyConstraint("token_hash"),
    )
    op.create_table(
        "listings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.String(length=200), nullable=False),
        sa.Column("seller_id", sa.String(length=200), nullable=False),
        sa.Column("listed_at", sa.Text(), nullable=False),
        sa.Column("maker", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("description", sa.Text(), nullable=False),
        sa.Column("style_number", sa.Text(), nullable=True),
        sa.Column("waist_in", sa.Integer(), nullable=True),
        sa.Column("leg_in", sa.Integer(), nullable=True),
        sa.Column("hardware_metal", sa.Text(), nullable=True),
        sa.Column("price_eur", sa.Double(), nullable=True),
        sa.Column("search", sa.Text(), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("is_open", sa.Boolean(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("assessment_id", sa.Integer(), nullable=True),
        sa.Column("probability", sa.Double(), nullable=False),
        sa.Column("log10_lr", sa.Double(), nullable=False),
        sa.Column("expected_loss", sa.Double(), nullable=False),
        sa.Column("claimed_by", sa.Integer(), nullable=True),
        sa.Column("claimed_until", Moment(), nullable=True),
        sa.ForeignKeyConstraint(
            ["claimed_by"],
            ["people.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("listing_id"),
    )
    op.create_index("ix_listings_by_loss", "listings", ["is_open", "expected_loss", "id"], unique=False)
    op.create_index("ix_listings_by_state", "listings", ["state", "probability", "id"], unique=False)
    op.create_index("ix_listings_by_style", "listings", ["style_number"], unique=False)
    op.create_index("ix_listings_by_suspicion", "listings", ["is_open", "probability", "id"], unique=False)
    op.create_index("ix_listings_claimed_by", "listings", ["claimed_by"], unique=False)
    op.create_index("ix_listings_seller_id", "listings", ["seller_id"], unique=False)

    op.create_table(
        "sessions",
        sa.Column("token_hash", sa.String(length=64), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("form_token", sa.Text(), nullable=False),
        sa.Column("made_at", Moment(), nullable=False),
        sa.Column("seen_at", Moment(), nullable=False),
        sa.Column("ends_at", Moment(), nullable=False),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["people.id"],
        ),
        sa.PrimaryKeyConstraint("token_hash"),
    )
    op.create_index("ix_sessions_person_id", "sessions", ["person_id"], unique=False)

    op.create_table(
        "assessments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("probability", sa.Double(), nullable=False),
        sa.Column("log10_lr", sa.Double(), nullable=False),
        sa.Column("ask_for", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["listing_id"],
            ["listings.id"],
        ),
        sa.ForeignKeyConstraint(
            ["run_id"],
            ["runs.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("listing_id", "run_id"),
    )
    op.create_table(
        "listing_photos",
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("run_id", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["listing_id"],
            ["listings.id"],
        ),
        sa.ForeignKeyConstraint(
            ["run_id"],
            ["runs.id"],
        ),
        sa.ForeignKeyConstraint(
            ["sha256"],
            ["photos.sha256"],
        ),
        sa.PrimaryKeyConstraint("listing_id", "position"),
    )
    op.create_index("ix_listing_photos_sha256", "listing_photos", ["sha256"], unique=False)

    op.create_table(
        "notes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["listing_id"],
            ["listings.id"],
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["people.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_notes_listing_id", "notes", ["listing_id"], unique=False)

    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("assessment_id", sa.Integer(), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("choice", sa.String(length=16), nullable=False),
        sa.Column("look", sa.Integer(), nullable=False),
        sa.Column("round", sa.Integer(), nullable=False),
        sa.Column("cues", sa.JSON(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("state_before", sa.String(length=16), nullable=False),
        sa.Column("undone_at", Moment(), nullable=True),
        sa.ForeignKeyConstraint(
            ["assessment_id"],
            ["assessments.id"],
        ),
        sa.ForeignKeyConstraint(
            ["listing_id"],
            ["listings.id"],
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["people.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_decisions_by_moment", "decisions", ["at"], unique=False)
    op.create_index("ix_decisions_by_person", "decisions", ["person_id", "at"], unique=False)
    op.create_index("ix_decisions_listing_id", "decisions", ["listing_id"], unique=False)

    op.create_table(
        "parts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("assessment_id", sa.Integer(), nullable=False),
        sa.Column("photo", sa.String(length=64), nullable=False),
        sa.Column("part", sa.String(length=24), nullable=False),
        sa.Column("box", sa.JSON(), nullable=False),
        sa.Column("score", sa.Double(), nullable=False),
        sa.Column("is_sure", sa.Boolean(), nullable=False),
        sa.Column("texts", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["assessment_id"],
            ["assessments.id"],
        ),
        sa.ForeignKeyConstraint(
            ["photo"],
            ["photos.sha256"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_parts_assessment_id", "parts", ["assessment_id"], unique=False)

    op.create_table(
        "reasons",
        sa.Column("assessment_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("cue", sa.String(length=40), nullable=False),
        sa.Column("state", sa.String(length=40), nullable=False),
        sa.Column("probability", sa.Double(), nullable=False),
        sa.Column("log10_lr", sa.Double(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("photo", sa.String(length=64), nullable=True),
        sa.Column("box", sa.JSON(), nullable=True),
        sa.Column("measured", sa.JSON(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("heat", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["assessment_id"],
            ["assessments.id"],
        ),
        sa.ForeignKeyConstraint(
            ["photo"],
            ["photos.sha256"],
        ),
        sa.PrimaryKeyConstraint("assessment_id", "position"),
    )
    op.create_index("ix_reasons_by_cue", "reasons", ["cue", "assessment_id"], unique=False)

    op.create_table(
        "unseen",
        sa.Column("assessment_id", sa.Integer(), nullable=False),
        sa.Column("cue", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(
            ["assessment_id"],
            ["assessments.id"],
        ),
        sa.PrimaryKeyConstraint("assessment_id", "cue"),
    )
    op.create_table(
        "askings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("decision_id", sa.Integer(), nullable=False),
        sa.Column("views", sa.JSON(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["decision_id"],
            ["decisions.id"],
        ),
        sa.ForeignKeyConstraint(
            ["listing_id"],
            ["listings.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_askings_listing_id", "askings", ["listing_id"], unique=False)

    op.create_table(
        "corrections",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("listing_id", sa.Integer(), nullable=False),
        sa.Column("assessment_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("at", Moment(), nullable=False),
        sa.Column("cue", sa.String(length=40), nullable=True),
        sa.Column("read_as", sa.String(length=40), nullable=True),
        sa.Column("truly", sa.String(length=40), nullable=True),
        sa.Column("part_id", sa.Integer(), nullable=True),
        sa.Column("true_box", sa.JSON(), nullable=True),
        sa.Column("undone_at", Moment(), nullable=True),
        sa.ForeignKeyConstraint(
            ["assessment_id"],
            ["assessments.id"],
        ),
        sa.ForeignKeyConstraint(
            ["listing_id"],
            ["listings.id"],
        ),
        sa.ForeignKeyConstraint(
            ["part_id"],
            ["parts.id"],
        ),
        sa.ForeignKeyConstraint(
            ["person_id"],
            ["people.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("ix_corrections_listing_id", "corrections", ["listing_id"], unique=False)

    op.create_table(
        "part_cues",
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("cue", sa.String(length=40), nullable=False),
        sa.Column("likelihood", sa.JSON(), nullable=False),
        sa.Column("measured", sa.JSON(), nullable=True),
        sa.Column("heat", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(
            ["part_id"],
            ["parts.id"],
        ),
        sa.PrimaryKeyConstraint("part_id", "cue"),
    )

    _make_append_only("audit")


def _make_append_only(table: str) -> None:
    """No row of the table is ever changed or removed: the database refuses it, whoever asks."""
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'the {table} trail is only added to'); END"
            )
        return
    op.execute(
        f"CREATE FUNCTION {table}_is_added_to() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN RAISE EXCEPTION 'the {table} trail is only added to'; END $$"
    )
    op.execute(
        f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {table}_is_added_to()"
    )


def downgrade() -> None:
    """Take it away."""
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    op.drop_table("part_cues")

    op.drop_table("corrections")

    op.drop_table("askings")
    op.drop_table("unseen")

    op.drop_table("reasons")

    op.drop_table("parts")

    op.drop_table("decisions")

    op.drop_table("notes")

    op.drop_table("listing_photos")
    op.drop_table("assessments")

    op.drop_table("sessions")

    op.drop_table("listings")
    op.drop_table("invitations")

    op.drop_table("sign_in_tries")
    op.drop_table("runs")
    op.drop_table("photos")
    op.drop_table("people")

    op.drop_table("audit")
    if not is_sqlite:
        op.execute("DROP FUNCTION audit_is_added_to()")
