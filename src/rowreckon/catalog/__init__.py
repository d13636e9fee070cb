"""Facts of relations, columns and indexes that the planner reckoned with: the models, and how they are read."""
