"""What the tests that walk every page need to know of each area: a module for each of ``planner.pages.rights``.

``WHERE``: for each route with something in its address, a function without arguments that gives the values, looked
up in the demo's workshop. ``QUERY``: for a route, what follows the question mark, or a function that
gives it. ``FILLERS``: for each page with a list, a function that makes so many more rows of it. All are optional.
"""
