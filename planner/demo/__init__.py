"""An invented workshop told end to end: its tables, its past, its story. No firm, person or recipe in it is real."""
