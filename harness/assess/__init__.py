"""From what was asked and read to budgets and limits: joins bench, unit and job to the numerics. Pure."""

from harness.assess.levels import LevelChoice, available_levels, choose_level, levels_for_linearity, lower_level
from harness.assess.points import (
    budget_for,
    deflection_budget,
    ideal,
    limits_for,
    limits_unit,
    pulse_budget,
    time_base_budget,
)
from harness.assess.sources import applied_at_input, applied_lines, period_lines, source_contributions

__all__ = [
    "LevelChoice",
    "applied_at_input",
    "applied_lines",
    "available_levels",
    "budget_for",
    "choose_level",
    "deflection_budget",
    "ideal",
    "levels_for_linearity",
    "limits_for",
    "limits_unit",
    "lower_level",
    "period_lines",
    "pulse_budget",
    "source_contributions",
    "time_base_budget",
]
