"""Kinds of notices, of which every workshop has the same."""

WHERE = {"notice-kind": lambda: {"kind": "lot_held"}}
