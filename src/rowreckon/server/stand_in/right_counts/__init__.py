"""Right counts, the edge: statistics on a stand-in are forged until its planner expects what was counted.

`forging` writes them inside one transaction that is rolled back; `knobs`, `scans`, `joins` and `groups` say what to
write. `asking` is the whole: an executed plan in, what the planner would have done had it known out.
"""
