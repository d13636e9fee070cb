"""The fields of parse trees in which no call can stand, each with the reason; and statements that show it.

`NOT_GRAMMATICAL` are statements with the hole in such a field: PostgreSQL's grammar takes none of them.
`NOT_ANALYZED` are ones that the grammar takes and the server refuses before it evaluates anything.
"""

from __future__ import annotations

EXCUSED: dict[str, str] = {
    "made by parse analysis, the planner or the executor: no parser makes one": """
    Aggref AlternativeSubPlan ArrayCoerceExpr ArrayExpr CaseTestExpr CoerceToDomain CoerceToDomainValue
    CoerceViaIO CollateExpr ConvertRowtypeExpr CurrentOfExpr DistinctExpr FieldSelect FieldStore FromExpr
    FuncExpr InferenceElem IntList JsonConstructorExpr JsonExpr JsonTablePathScan JsonTableSiblingJoin
    MergeAction MergeSupportFunc NextValueExpr NullIfExpr OidList OnConflictExpr OpExpr Param
    PartitionRangeDatum Query RangeTblEntry RangeTblFunction RelabelType ReturningExpr RowCompareExpr
    SQLValueFunction ScalarArrayOpExpr SetOperationStmt SetToDefault SubPlan SubscriptingRef TableFunc
    TableSampleClause TargetEntry Var WindowClause WindowFunc WindowFuncRunCondition WithCheckOption
""",
    "libpg_query's own wrappers of what it gives back": """
    ParseResult RawStmt ScanResult SummaryResult
""",
    "filled in after parsing": """
    *.xpr CallStmt.funcexpr CallStmt.outargs ColumnDef.cooked_default ColumnDef.identity_sequence
    CommonTableExpr.ctecolcollations CommonTableExpr.ctecolnames CommonTableExpr.ctecoltypes
    CommonTableExpr.ctecoltypmods Constraint.old_conpfeqop CreateStmt.constraints CreateStmt.nnconstraints
    GroupingFunc.refs IntoClause.view_query JsonOutput.returning JsonReturning.format
    JsonValueExpr.formatted_expr
""",
    "names, types, numbers and literals alone (see NOT_GRAMMATICAL, and NOT_ANALYZED for types' modifiers)": """
    A_Const A_Expr.name AccessPriv Alias AlterCollationStmt AlterDatabaseSetStmt AlterDatabaseStmt
    AlterDefaultPrivilegesStmt AlterDomainStmt.type_name AlterEnumStmt AlterExtensionContentsStmt
    AlterExtensionStmt AlterFdwStmt AlterForeignServerStmt AlterFunctionStmt AlterObjectDependsStmt
    AlterObjectSchemaStmt AlterOpFamilyStmt AlterOperatorStmt AlterOwnerStmt AlterPolicyStmt.roles
    AlterPolicyStmt.table AlterPublicationStmt AlterRoleSetStmt AlterRoleStmt AlterSeqStmt AlterStatsStmt
    AlterSubscriptionStmt AlterSystemStmt AlterTSConfigurationStmt AlterTSDictionaryStmt AlterTableCmd.newowner
    AlterTableMoveAllStmt AlterTableSpaceOptionsStmt AlterTableStmt.relation AlterTypeStmt AlterUserMappingStmt
    CTECycleClause CTESearchClause ClusterStmt CollateClause.collname ColumnDef.coll_clause ColumnDef.fdwoptions
    ColumnDef.type_name ColumnRef CommentStmt CommonTableExpr.aliascolnames CommonTableExpr.cycle_clause
    CommonTableExpr.search_clause CompositeTypeStmt Constraint.fk_attrs Constraint.fk_del_set_cols
    Constraint.including Constraint.keys Constraint.options Constraint.pk_attrs Constraint.pktable
    ConstraintsSetStmt CopyStmt.attlist CopyStmt.options CopyStmt.relation CreateAmStmt CreateCastStmt
    CreateConversionStmt CreateDomainStmt.coll_clause CreateDomainStmt.domainname CreateDomainStmt.type_name
    CreateEnumStmt CreateEventTrigStmt CreateExtensionStmt CreateFdwStmt CreateForeignServerStmt
    CreateForeignTableStmt.options CreateFunctionStmt.funcname CreateFunctionStmt.options
    CreateFunctionStmt.return_type CreateOpClassItem CreateOpClassStmt CreateOpFamilyStmt CreatePLangStmt
    CreatePolicyStmt.roles CreatePolicyStmt.table CreatePublicationStmt CreateRangeStmt CreateRoleStmt
    CreateSchemaStmt.authrole CreateSeqStmt CreateStatsStmt.defnames CreateStatsStmt.relations
    CreateStatsStmt.stat_types CreateStmt.inh_relations CreateStmt.of_typename CreateStmt.options
    CreateStmt.relation CreateSubscriptionStmt CreateTableAsStmt.into CreateTableSpaceStmt CreateTransformStmt
    CreateTrigStmt.args CreateTrigStmt.columns CreateTrigStmt.constrrel CreateTrigStmt.funcname
    CreateTrigStmt.relation CreateTrigStmt.transition_rels CreateUserMappingStmt CreatedbStmt DefElem DefineStmt
    DeleteStmt.relation DoStmt DropOwnedStmt DropRoleStmt DropStmt DropUserMappingStmt DropdbStmt
    ExplainStmt.options FuncCall.funcname FunctionParameter.arg_type GrantRoleStmt GrantStmt
    ImportForeignSchemaStmt IndexElem.collation IndexElem.opclass IndexElem.opclassopts
    IndexStmt.exclude_op_names IndexStmt.index_including_params IndexStmt.options IndexStmt.relation
    InsertStmt.relation IntoClause JoinExpr.alias JoinExpr.join_using_alias JoinExpr.using_clause
    JsonAggConstructor.output JsonArrayConstructor.output JsonArrayQueryConstructor.format
    JsonArrayQueryConstructor.output JsonFuncExpr.output JsonIsPredicate.format JsonObjectConstructor.output
    JsonOutput JsonParseExpr.output JsonScalarExpr.output JsonSerializeExpr.output JsonTable.alias
    JsonTable.on_error JsonTable.pathspec JsonTableColumn.format JsonTableColumn.pathspec
    JsonTableColumn.type_name JsonTablePathSpec JsonValueExpr.format LockStmt LockingClause MergeStmt.relation
    ObjectWithArgs PLAssignStmt PartitionCmd.name PartitionElem.collation PartitionElem.opclass
    PrepareStmt.argtypes PublicationObjSpec PublicationTable RangeFunction.alias RangeFunction.coldeflist
    RangeSubselect.alias RangeTableFunc.alias RangeTableFuncCol.type_name RangeTableSample.method
    RangeTableSample.relation RangeVar ReassignOwnedStmt RefreshMatViewStmt ReindexStmt RenameStmt
    ReturningClause.options RowExpr.colnames RuleStmt.relation SecLabelStmt SelectStmt.into_clause
    SelectStmt.locking_clause SortBy.use_op SubLink.oper_name TableLikeClause TransactionStmt TruncateStmt
    TypeCast.type_name TypeName UpdateStmt.relation VacuumRelation VacuumStmt VariableSetStmt ViewStmt.aliases
    ViewStmt.options ViewStmt.view XmlExpr.arg_names XmlSerialize.type_name
""",
}

NOT_GRAMMATICAL: tuple[str, ...] = (
    "select n from {e}.trio",
    "select 1 operator({e}) 2",
    "select n from trio as t({e})",
    "delete from trio where current of {e}",
    "with recursive a(n) as (select 1 union all select n from a) search depth first by {e} set o select n from a",
    "with recursive a(n) as (select 1 union select n from a) cycle n set c to {e} default 1 using p select n from a",
    "with recursive a(n) as (select 1 union select n from a) cycle n set c to 1 default {e} using p select n from a",
    "with recursive a(n) as (select 1 union all select n from a) cycle {e} set c using p select n from a",
    "with a({e}) as (select 1) select 1",
    "select n collate {e} from trio",
    "select n from trio join trio b using ({e})",
    "select n from trio order by n using {e}",
    "select n from trio for update of {e}",
    "select n from trio tablesample {e}(1)",
    "select * from json_table('{}', {e} columns (a int path '$'))",
    "select * from json_table('{}', '$' columns (a int path {e}))",
    "select * from json_table('{}', '$' columns (nested path {e} columns (a int path '$')))",
    "select json_value('{}', '$' returning {e} null on error)",
    "select json_query('{}', '$' returning text format {e})",
    "select json('{}' format {e})",
    "select xmlelement(name {e})",
    "select xmlserialize(content x as {e})",
    "select * from xmltable('/a' passing x columns {e} text)",
    "select * from rows from (f() as (a {e}))",
    "select 1::{e}",
    "select {e} '1'",
    "select '1'::int[{e}]",
    "insert into {e} values (1)",
    "insert into trio({e}) values (1)",
    "insert into trio values (1) on conflict on constraint {e} do nothing",
    "update {e} set n = 1",
    "update trio set {e} = 1",
    "delete from {e}",
    "merge into {e} using trio s on true when matched then delete",
    "update trio set n = 1 returning with ({e} as o) n",
    "explain (verbose {e}) select 1",
    "prepare p({e}) as select 1",
    "execute {e}",
    "set work_mem = {e}",
    "set local work_mem to {e}",
    "set time zone {e}",
    "set session authorization {e}",
    "set role {e}",
    "set transaction isolation level {e}",
    "begin isolation level {e}",
    "copy trio to {e}",
    "copy trio to program {e}",
    "copy trio({e}) to stdout",
    "copy trio to stdout (format {e})",
    "create table fresh(n int) with (fillfactor = {e})",
    "create table fresh({e} int)",
    "create table fresh(n int generated always as identity (start {e}))",
    "create sequence fresh start {e}",
    "create table fresh(n int references trio({e}))",
    "create index fresh on trio using {e} (n)",
    "create index fresh on trio(n int4_ops(a = {e}))",
    "create trigger fresh before update on trio for each row execute function on_write({e})",
    "create view fresh({e}) as select 1",
    "create policy fresh on {e} using (true)",
    "create policy fresh on trio to {e}",
    "create aggregate fresh(int) (sfunc = {e}, stype = int, initcond = {e})",
    "create aggregate fresh({e}) (sfunc = int4pl, stype = int)",
    "create type fresh as enum ({e})",
    "create type fresh as range (subtype = {e})",
    "create type fresh as (a {e})",
    "create operator @@@ (leftarg = {e})",
    "create function fresh() returns int language sql as {e}",
    "create function fresh() returns int cost {e} return 1",
    "create procedure fresh() begin atomic {e}; end",
    "alter function fresh({e}) stable",
    "alter function fresh() rows {e}",
    "drop function fresh({e})",
    "alter sequence tickets restart {e}",
    "alter statistics fresh set statistics {e}",
    "alter table trio alter n set statistics {e}",
    "alter table trio set (fillfactor = {e})",
    "alter table trio owner to {e}",
    "alter role keeper set work_mem = {e}",
    "alter role keeper password {e}",
    "alter role keeper valid until {e}",
    "alter system set work_mem = {e}",
    "alter database d set work_mem = {e}",
    "alter database d connection limit {e}",
    "alter server loop options (set host {e})",
    "alter type season add value {e}",
    "comment on table trio is {e}",
    "comment on function fresh({e}) is 'x'",
    "security label on table trio is {e}",
    "do {e}",
    "load {e}",
    "listen {e}",
    "notify alarm, {e}",
    "lock table {e}",
    "truncate {e}",
    "vacuum (parallel {e}) trio",
    "vacuum trio({e})",
    "analyze trio({e})",
    "cluster trio using {e}",
    "reindex (verbose {e}) table trio",
    "refresh materialized view {e}",
    "declare {e} cursor for select 1",
    "fetch {e} from c",
    "move forward {e} in c",
    "close {e}",
    "savepoint {e}",
    "prepare transaction {e}",
    "grant select({e}) on trio to keeper",
    "grant select on {e} to keeper",
    "revoke all on trio from {e}",
    "create role {e}",
    "create role fresh connection limit {e}",
    "create database fresh template {e}",
    "create tablespace fresh location {e}",
    "create extension fresh schema {e}",
    "create foreign table fresh(n int options (a {e})) server loop",
    "create user mapping for {e} server loop",
    "import foreign schema s limit to ({e}) from server loop into public",
    "create publication fresh for table trio({e})",
    "create publication fresh for table {e} ",
    "create publication fresh for table trio where {e}",
    "create subscription fresh connection {e} publication p",
    "create cast (int as {e}) without function",
    "create transform for {e} language sql (from sql with function f(internal))",
    "create conversion fresh for 'a' to 'b' from {e}",
    "create language fresh handler {e}",
    "create event trigger fresh on x when tag in ({e}) execute function f()",
    "create operator class fresh for type {e} using btree as operator 1 <",
    "create access method fresh type index handler {e}",
    "create text search configuration fresh (parser = {e})",
    "create table fresh (like {e})",
    "create table fresh of {e}",
    "create table fresh() inherits ({e})",
    "create rule {e} as on update to trio do nothing",
    "create schema authorization {e}",
    "alter default privileges for role {e} grant select on tables to keeper",
    "reassign owned by {e} to keeper",
    "drop owned by {e}",
    "call {e}.f()",
)

NOT_ANALYZED: dict[str, str] = {
    "a type's modifiers": "select '1'::numeric({e})",
    "a column's type": "create table fresh(n numeric({e}))",
    "columns of a function's rows": "select * from json_to_record('{}') as r(a numeric({e}))",
    "a parameter's type": "prepare p(numeric({e})) as select $1",
    "an included column": "create index fresh on trio(n) include ({e})",
    "JSON_TABLE's own error": "select * from json_table('[1]', '$[*]' columns (a int path '$') default {e} on error)",
    "a publication's condition": "create publication fresh for table trio where (n > {e})",
}


def excused(field: str) -> bool:
    """Whether a reason names this field, or the node that has it."""
    words = {word for text in EXCUSED.values() for word in text.split()}
    node, name = field.split(".")
    return field in words or node in words or f"*.{name}" in words
