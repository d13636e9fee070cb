"""Archives: plans by the million, folded by query and plan shape, on one core, on all of them, or on a cluster.

What is kept of each plan is a digest of a few numbers; digests of the same query with the same plan shape are added up
into a fold. Adding is associative and does not mind the order, so that any split of the work gives the same audit.
"""
