"""The storeroom's part of the REST API: a module for each concept, with the frame that all share."""
