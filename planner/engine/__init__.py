"""The planning engine: ``plan(problem)`` gives the plan. Imports the standard library and numpy only."""

from planner.engine.plan import plan
from planner.engine.problem import Problem
from planner.engine.result import Plan, PlanError

__all__ = ["Plan", "PlanError", "Problem", "plan"]
