"""What the tests of the API need to know of each area: a module beside each of ``planner.api.rights``, same name.

A module may hold

- ``prepare(operation)``: on the small house (``tests.planner.small_house``), make what the example of this operation
  needs, ``operation`` being ``("POST", "batch-reserve")``;
- ``FILLERS``: for each list, by route name, a function that makes so many more rows of it;
- ``WRONG``: for an operation and field (``("POST", "offers", "pack")``) further values that must be refused;
- ``NEVER_WRONG``: fields (as in WRONG) that take whatever their kind of value takes elsewhere refuses, with the reason;
- ``FILES``: for an operation that takes a file in place of JSON, an example of each kind: media type and content;
- ``VOLATILE``: names of fields of answers that differ from one time to the next (moments of the database, tokens).
"""
