"""Pages of the storeroom: each module has ``ROUTES``; ``frame`` and ``conventions`` are what pages of every room use."""
