"""The planner: from a case to the sheet of margins."""

from warmhold.plan.planner import DEFAULT_MEMBERS, DEFAULT_SEED, plan_case

__all__ = ["DEFAULT_MEMBERS", "DEFAULT_SEED", "plan_case"]
