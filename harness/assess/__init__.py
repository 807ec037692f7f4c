"""From what was asked and read to budgets and limits: joins bench, unit and job to the numerics. Pure."""
