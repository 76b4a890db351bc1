"""Days of inspection: which buildings are visited, in which order, by whom, on which day.

In: the ranking, the buildings, streets and stations, the rulebook, what the office asks for.
Out: `DayPlan`: visits, what was left out and why, the ways, figures of the whole.
"""

from roofplat.ranking.days.plan import DayPlan, plan_days

__all__ = ["DayPlan", "plan_days"]
