"""A season folder from inputs to results."""
