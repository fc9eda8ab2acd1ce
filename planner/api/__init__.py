"""The REST API as a whole: who may do what, how it answers and refuses, and what crosses the rooms."""
