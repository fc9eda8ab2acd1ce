"""Tests of real processes: the one-process form, and the whole service as docker-compose.yml describes it."""
