"""Pausing the cyclic garbage collector while very many rows are made that all stay: the engine's own piece, for all."""

from planner.engine.collector import collector_paused

__all__ = ["collector_paused"]
