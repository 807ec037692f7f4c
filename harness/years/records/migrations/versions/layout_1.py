"""The first layout: runs, their results and standards, the journals, and what waits for a server."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "1"
down_revision = None
branch_labels = None
depends_on = None


def text(name: str, **options: Any) -> sa.Column[Any]:
    """Text in the order of its bytes."""
    return sa.Column(
        name, sa.Text().with_variant(sa.Text(collation="C"), "postgresql"), **{"nullable": False, **options}
    )


def moment(name: str, *, nullable: bool = False) -> sa.Column[Any]:
    """A moment; SQLite has it as text."""
    return sa.Column(
        name, sa.String().with_variant(postgresql.TIMESTAMP(timezone=True), "postgresql"), nullable=nullable
    )


def number(name: str) -> sa.Column[Any]:
    """A number, or nothing."""
    return sa.Column(name, sa.Double(), nullable=True)


def flag(name: str) -> sa.Column[Any]:
    """Yes or no."""
    return sa.Column(name, sa.Boolean(), nullable=False)


def run_id() -> sa.Column[Any]:
    """The run that a row belongs to."""
    return text("run_id", primary_key=True)


def of_a_run() -> sa.ForeignKeyConstraint:
    """Nothing stays of a run that is gone."""
    return sa.ForeignKeyConstraint(["run_id"], ["runs.id"], ondelete="CASCADE")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "runs",
        text("id", primary_key=True),
        text("number"),
        moment("started"),
        moment("ended"),
        flag("finished"),
        flag("simulated"),
        *(text(name) for name in ("title", "maker", "model", "serial", "condition", "bench", "location")),
        *(text(name) for name in ("laboratory", "customer", "customer_reference", "operator")),
        number("temperature_celsius"),
        number("humidity_ratio"),
        *(text(name) for name in ("rule", "error_definition", "overall", "sentence", "program", "derived_by")),
        text("journal_sha256"),
        sa.Column("journal_bytes", sa.Integer(), nullable=False),
        text("host"),
        text("folder"),
        moment("added"),
    )
    op.create_index("runs_by_serial", "runs", ["serial", "started"])
    op.create_index("runs_by_start", "runs", ["started"])
    op.create_table(
        "results",
        run_id(),
        sa.Column("position", sa.Integer(), primary_key=True, autoincrement=False),
        *(text(name) for name in ("part", "kind", "quantity")),
        sa.Column("channel", sa.Integer(), nullable=True),
        text("path"),
        text("setting"),
        number("setting_value"),
        text("setting_unit"),
        text("applied"),
        number("applied_value"),
        text("applied_unit"),
        number("ideal"),
        number("reading"),
        text("reading_unit"),
        sa.Column("readings", sa.Integer(), nullable=True),
        number("result"),
        text("result_unit"),
        *(number(name) for name in ("standard_u", "expanded_u", "k", "probability", "degrees_of_freedom")),
        *(number(name) for name in ("interval_low", "interval_high")),
        text("method"),
        *(number(name) for name in ("limit_low", "limit_high", "guard_band", "acceptance_low", "acceptance_high")),
        *(number(name) for name in ("test_uncertainty_ratio", "conformance_probability")),
        text("verdict"),
        text("remarks"),
        moment("at", nullable=True),
        of_a_run(),
    )
    op.create_table(
        "standards",
        run_id(),
        text("role", primary_key=True),
        *(text(name) for name in ("label", "maker", "model", "serial", "identity", "certificate")),
        sa.Column("certified", sa.Date(), nullable=True),
        sa.Column("due", sa.Date(), nullable=True),
        flag("used"),
        flag("overdue"),
        of_a_run(),
    )
    for name in ("serial", "certificate", "label", "identity"):
        op.create_index(f"standards_by_{name}", "standards", [name])
    op.create_table("journals", run_id(), sa.Column("packed", sa.LargeBinary(), nullable=False), of_a_run())
    op.create_table("outbox", text("server", primary_key=True), run_id(), moment("since"), of_a_run())
