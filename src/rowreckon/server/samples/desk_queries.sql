-- What the hut's desk asks, for whom row security leaves only its own notes: swept with --role hut_desk, since a list
-- that took on a role by itself would need permission.

-- one process a query, so that times can be compared
set max_parallel_workers_per_gather = 0;

-- name: statistics-not-usable
-- under row security an operator that might leak is not shown the statistics
select g.home_land, count(*)
from guest_notes n join guests g on g.id = n.guest_id
where n.note like '%nuts%'
group by g.home_land;
