"""Pages of planning, and what holds the pages of every room together: their addresses, rights, words of navigation."""
