"""Notices: what is due on a day, for whom, told once at each stage. The lower rooms know nothing of them."""
