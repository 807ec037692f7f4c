"""From what was asked and read to budgets and limits: joins bench, unit and job to the numerics. Pure."""

from harness.assess.levels import LevelChoice, available_levels, choose_level, levels_for_linearity, lower_level
from harness.assess.points import budget_for, ideal, limits_for
from harness.assess.sources import applied_at_input, applied_lines, period_lines, source_contributions

__all__ = [
    "LevelChoice",
    "applied_at_input",
    "applied_lines",
    "available_levels",
    "budget_for",
    "choose_level",
    "ideal",
    "levels_for_linearity",
    "limits_for",
    "lower_level",
    "period_lines",
    "source_contributions",
]
