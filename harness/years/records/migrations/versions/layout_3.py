"""The third layout: the indexes of runs are in the order in which runs are asked for, so that nothing is sorted."""

from __future__ import annotations

from alembic import op

revision = "3"
down_revision = "2"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the indexes anew."""
    for name, columns in (("runs_by_serial", ["serial", "started", "id"]), ("runs_by_start", ["started", "id"])):
        op.drop_index(name, "runs")
        op.create_index(name, "runs", columns)
