"""The watch on the road: an ensemble filter on the coupled model, and named conditions."""
