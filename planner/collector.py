"""Pausing the cyclic garbage collector while very many rows are made: the engine's own way, for the rest of the planner."""

from planner.engine.collector import collector_paused

__all__ = ["collector_paused"]
