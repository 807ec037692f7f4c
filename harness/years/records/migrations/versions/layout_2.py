"""The second layout: what became of the reports of a run, and the file that says so."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from harness.years.records.migrations.versions.layout_1 import moment, of_a_run, run_id, text

revision = "2"
down_revision = "1"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "reports",
        run_id(),
        sa.Column("position", sa.Integer(), primary_key=True, autoincrement=False),
        *(text(name) for name in ("number", "state", "replaces", "why", "replaced_by", "approved_by", "place")),
        sa.Column("issued", sa.Date(), nullable=True),
        moment("approved_at", nullable=True),
        *(text(name) for name in ("key", "signature")),
        of_a_run(),
    )
    op.create_index("reports_by_number", "reports", ["number"])
    op.create_table(
        "issued", run_id(), text("sha256"), sa.Column("packed", sa.LargeBinary(), nullable=False), of_a_run()
    )
