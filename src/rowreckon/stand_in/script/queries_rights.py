"""The SQL for who may see what: roles, owners, grants, and the policies of row security.

Parameters are those of `queries.py`.  A plan depends on the role that asks: policies are added to its conditions, what
a view's owner may see is seen through it, and only who may read a column has its statistics used.
Source: the PostgreSQL manual, "Row Security Policies", "Rules and Privileges", and aclexplode().
"""

from __future__ import annotations

from typing import Final

from .queries import prints_own

RIGHTS: Final = """
select coalesce(json_agg(json_build_object('relation', c.oid::int8, 'owner', pg_get_userbyid(c.relowner),
  'forced', c.relforcerowsecurity,
  'grants', (select coalesce(json_agg(json_build_array(case when x.grantee <> 0 then pg_get_userbyid(x.grantee) end,
      x.privilege_type)), '[]') from aclexplode(coalesce(c.relacl, acldefault('r', c.relowner))) x),
  'column_grants', (select coalesce(json_agg(json_build_array(a.attnum,
      case when x.grantee <> 0 then pg_get_userbyid(x.grantee) end, x.privilege_type)), '[]')
    from pg_attribute a cross join lateral aclexplode(a.attacl) x where a.attrelid = c.oid and a.attnum > 0))
  order by c.oid), '[]')
from pg_class c where c.oid = any($2)
"""

_PRINTED: Final = f"not {prints_own('pg_policy', 'p.oid')}"

POLICIES: Final = f"""
select coalesce(json_agg(json_build_object('oid', p.oid::int8, 'relation', p.polrelid::int8, 'name', p.polname,
  'command', p.polcmd::text, 'permissive', p.polpermissive,
  'roles', array(select pg_get_userbyid(r) from unnest(p.polroles) r where r <> 0), 'printed', {_PRINTED},
  'using', case when {_PRINTED} then pg_get_expr(p.polqual, p.polrelid) end,
  'check', case when {_PRINTED} then pg_get_expr(p.polwithcheck, p.polrelid) end) order by p.oid), '[]')
from pg_policy p where p.polrelid = any($2)
"""

# The roles that the relations name, this session's, those that are members of one of them, and all that they are
# members of. Up to 15 a role inherits always or never, since 16 by each membership.
ROLES: Final = """
with recursive named(oid) as (
  select r.oid from pg_roles r where r.rolname in (current_user, session_user)
  union select c.relowner from pg_class c where c.oid = any($2)
  union select x.grantee from pg_class c cross join lateral aclexplode(c.relacl) x where c.oid = any($2)
  union select x.grantee from pg_attribute a cross join lateral aclexplode(a.attacl) x where a.attrelid = any($2)
  union select r from pg_policy p cross join lateral unnest(p.polroles) r where p.polrelid = any($2)),
below(oid) as (
  select oid from named where oid <> 0
  union select m.member from below b join pg_auth_members m on m.roleid = b.oid),
above(oid) as (
  select oid from below union select m.roleid from above a join pg_auth_members m on m.member = a.oid)
select coalesce(json_agg(json_build_object('name', r.rolname, 'superuser', r.rolsuper, 'bypasses', r.rolbypassrls,
  'current', r.rolname = current_user,
  'member_of', (select coalesce(json_agg(json_build_array(g.rolname,
      coalesce((to_jsonb(m)->>'inherit_option')::bool, r.rolinherit)) order by g.rolname), '[]')
    from pg_auth_members m join pg_roles g on g.oid = m.roleid where m.member = r.oid)) order by r.rolname), '[]')
from above a join pg_roles r on r.oid = a.oid
"""
