"""The making's part of the REST API: formulas and batches, a module for each concept."""
