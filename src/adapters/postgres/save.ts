/** Writing what a step decided: journal, states and resources in one statement. */
import type { Context } from '../../flow/step.ts'
import type { Kind, OrderState } from '../../model/states.ts'
import type { Tx } from './database.ts'
import { type Grant, lastOf, type ResourceRow, resourceRows, settleGrants } from './resource-rows.ts'
import { isNewAltogether, newRows } from './save-new.ts'
import { keysOf, rowOf, siteToken, tables } from './shapes.ts'
import type { Writing } from './writing.ts'

const inherited = (alias: string): string => `
  coalesce((select array_agg(t) from unnest(${alias}.order_ids) as y(order_id)
      cross join lateral (select seen_by from resources where type = 'ServiceRequest' and id = y.order_id offset 0) o,
      unnest(o.seen_by) t
    where ${alias}.inherits <> 'nothing' and (${alias}.inherits = 'order' or t not like 'reader:%')), '{}')`

const union = (a: string, b: string): string =>
  `(select coalesce(array_agg(distinct t), '{}') from unnest(${a} || ${b}) t)`

const stateSql = (kind: Kind, n: number): string => {
  const { name, columns } = tables[kind]
  const all = ['id', ...Object.keys(columns), 'state']
  const types = [`id uuid`, ...Object.entries(columns).map(([c, t]) => `${c} ${t}`), 'state json']
  const sets = all.slice(1).map((c) => `${c} = excluded.${c}`)
  return `${name}_rows as (insert into ${name} (${all.join(', ')})
    select ${all.join(', ')} from json_to_recordset($${n}) as x(${types.join(', ')})
    on conflict (id) do update set ${sets.join(', ')})`
}

const journalSql = (n: number, now: number, inbound: boolean): string => `
  journal_rows as (insert into journal (recorded_at, occurred_at, step, fact, kind, id, order_id, device_id, patient_id, site, day, due_day, who, request_id, inbound, state)
    select $${now}::timestamptz, x.occurred_at, x.step, x.fact, x.kind, x.id, x.order_id, x.device_id, x.patient_id, x.site, x.day, x.due_day, x.who, x.request_id,
      ${inbound ? '(select id from inbound_row)' : 'null'}, x.state
    from json_to_recordset($${n}) as x(n int, occurred_at timestamptz, step text, fact text, kind text, id uuid, order_id uuid, device_id uuid,
      patient_id uuid, site text, day date, due_day date, who text, request_id text, state json) order by x.n)`

const resourceSql = (n: number, now: number): string => `
  incoming as (select * from json_to_recordset($${n}) as x(type text, id uuid, seen text[], inherits text, order_ids uuid[], tokens text[],
    from1 timestamptz, until1 timestamptz, from2 timestamptz, until2 timestamptz, body text, names json)),
  kept_versions as (insert into earlier_versions (type, id, version, updated, seen_by, tokens, from1, until1, from2, until2, body)
    select r.type, r.id, r.version, r.updated, r.seen_by, r.tokens, r.from1, r.until1, r.from2, r.until2, r.body from incoming x cross join lateral (
      select * from resources r where r.type = x.type and r.id = x.id and r.body <> x.body offset 0) r),
  resource_rows as (insert into resources as r (type, id, version, updated, seen_by, tokens, from1, until1, from2, until2, body)
    select type, id, 1, $${now}::timestamptz, ${union('x.seen', inherited('x'))}, tokens, from1, until1, from2, until2, body from incoming x
    on conflict (type, id) do update set
      version = r.version + (r.body <> excluded.body)::int,
      updated = case when r.body <> excluded.body then excluded.updated else r.updated end,
      seen_by = ${union('r.seen_by', 'excluded.seen_by')},
      tokens = excluded.tokens, from1 = excluded.from1, until1 = excluded.until1, from2 = excluded.from2, until2 = excluded.until2,
      body = excluded.body),
  old_names as (delete from names where ctid = any(array(select n.ctid from incoming x cross join lateral (
      select ctid from names n where n.type = x.type and n.id = x.id offset 0) n))),
  new_names as (insert into names (type, id, param, value)
    select x.type, x.id, y.param, y.value from incoming x, json_to_recordset(x.names) as y(param text, value text))`

const grantSql = (n: number): string => `
  granted_${n} as (update resources r set seen_by = ${union('r.seen_by', 'g.more')}
    from (select x.seen || ${inherited('x')} as more from json_to_record($${n}) as x(seen text[], inherits text, order_ids uuid[])) g
    where r.type = $${n}::json->>'type' and r.id = ($${n}::json->>'id')::uuid and not r.seen_by @> g.more)`

const nameColumns = 'owner text, type text, system text, value text, id uuid'

const identitySql = (n: number): string => `
  identity_rows as (insert into identities (owner, type, system, value, id)
    select owner, type, system, value, id from json_to_recordset($${n}) as x(${nameColumns})
    on conflict (owner, type, system, value, id) do nothing)`

const forgottenSql = (n: number): string => `
  forgotten as (delete from identities where ctid = any(array(select i.ctid from json_to_recordset($${n}) as x(${nameColumns})
    cross join lateral (select ctid from identities i
      where (i.owner, i.type, i.system, i.value, i.id) = (x.owner, x.type, x.system, x.value, x.id) offset 0) i)))`

const inboundSql = (n: number, now: number): string => `
  inbound_row as (insert into inbound (received_at, caller, route, request_id, body)
    select $${now}::timestamptz, $${n}::json->>'caller', $${n}::json->>'route', $${n}::json->>'request_id', $${n + 1} returning id)`

/**
 * One statement for the whole step. Rows are looked up by laterals and scalar subqueries, so that the planner, who
 * cannot know how few they are, does not read whole tables: joins cost 60 ms an order where this costs 2. A placer
 * number that another order has already (23505) or an overlapping link (23P01) fails it as a whole.
 */
export const save = (tx: Tx, w: Writing, ctx: Context): Promise<unknown> => {
  const rows = resourceRows(w)
  const grants = settleGrants(w, rows)
  if (!isNewAltogether(w, rows, grants)) return saveChanged(tx, w, rows, grants, ctx)
  const { text, values } = newRows(w, rows, ctx)
  return tx.query(text, values)
}

const saveChanged = async (
  tx: Tx,
  w: Writing,
  rows: readonly ResourceRow[],
  grants: readonly Grant[],
  ctx: Context,
): Promise<void> => {
  const values: unknown[] = [ctx.now]
  const parts: string[] = []
  const bind = (value: unknown): number => values.push(typeof value === 'string' ? value : JSON.stringify(value))
  if (w.inbound) {
    const n = bind({ caller: ctx.caller.id, route: w.inbound.route, request_id: ctx.requestId })
    bind(w.inbound.body)
    parts.push(inboundSql(n, 1))
  }
  const journal = w.changes.map(({ fact, state, occurredAt }, n) => ({
    n,
    occurred_at: occurredAt,
    step: w.step,
    fact,
    kind: state.kind,
    ...keysOf(state),
    id: state.id,
    who: ctx.caller.id,
    request_id: ctx.requestId,
    state,
  }))
  if (journal.length > 0) parts.push(journalSql(bind(journal), 1, w.inbound !== undefined))
  const states = lastOf(
    w.changes.map((c) => c.state),
    (s) => `${s.kind} ${s.id}`,
  )
  for (const kind of Object.keys(tables) as Kind[]) {
    const mine = states.filter((s) => s.kind === kind)
    if (mine.length > 0) parts.push(stateSql(kind, bind(mine.map(rowOf))))
  }
  if (rows.length > 0) parts.push(resourceSql(bind(rows), 1))
  for (const grant of grants) parts.push(grantSql(bind(grant)))
  const { given = [], dropped = [] } = w.names ?? {}
  if (given.length > 0) parts.push(identitySql(bind(given)))
  if (dropped.length > 0) parts.push(forgottenSql(bind(dropped)))
  if (parts.length > 0) await tx.query(`with ${parts.join(',')} select`, values)
  for (const { state, leaves } of w.changes)
    if (leaves !== undefined && state.kind === 'order') await leaveSite(tx, state, leaves)
}

/** The order, what was recorded and said of it, and its patient where no other order of theirs is at that site. */
const leaveSite = async (tx: Tx, order: OrderState, site: string): Promise<void> => {
  const token = siteToken(site)
  await tx.query(`update resources set seen_by = array_remove(seen_by, $2) where type = 'ServiceRequest' and id = $1`, [
    order.id,
    token,
  ])
  await tx.query(
    `update resources set seen_by = array_replace(seen_by, $2, $3) where type = 'Provenance' and tokens @> array[$1]`,
    [`target=ServiceRequest/${order.id}`, token, siteToken(order.site)],
  )
  await tx.query(
    `update resources r set seen_by = array_replace(r.seen_by, $2, $3) from kept k
     where k.order_id = $1 and r.type = k.state->>'type' and r.id = k.id`,
    [order.id, token, siteToken(order.site)],
  )
  await tx.query(
    `update resources set seen_by = array_remove(seen_by, $2) where type = 'Patient' and id = $1 and not exists (
       select from resources o where o.type = 'ServiceRequest' and o.tokens @> array[$3] and o.id <> $4 and o.seen_by @> array[$2])`,
    [order.patientId, token, `patient=Patient/${order.patientId}`, order.id],
  )
}
