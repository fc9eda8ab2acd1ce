"""The Django project, and planning: what to make, what to buy, by when; and what crosses the other apps."""
