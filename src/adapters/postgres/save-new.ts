/**
 * Writing what is new altogether, as most orders are: plain rows without a look at what is stored. The values are
 * parameters by themselves, which PostgreSQL reads in half the time that records in JSON take it.
 */
import type { Context } from '../../flow/step.ts'
import type { Kind, State } from '../../model/states.ts'
import type { Grant, ResourceRow } from './resource-rows.ts'
import { keysOf, rowOf, tables } from './shapes.ts'
import type { OwnedName, Writing } from './writing.ts'

/** More at once are rare, and each number of rows is a statement of its own to prepare. */
const most = 8

/** A plan for so few rows that the number of different statements stays small. */
export const isNewAltogether = (w: Writing, rows: readonly ResourceRow[], grants: readonly Grant[]): boolean =>
  w.changes.length > 0 &&
  w.changes.length <= most &&
  w.changes.every((c) => c.isNew) &&
  ['order', 'patient'].every((kind) => w.changes.filter((c) => c.state.kind === kind).length <= 1) &&
  grants.length === 0 &&
  (w.records ?? []).length === 0 &&
  (w.names?.dropped ?? []).length === 0 &&
  rows.every((r) => r.inherits === 'nothing' || r.order_ids.every((id) => isWritten(w, id)))

/** What comes with its order has the order's readers in its row already. */
const isWritten = (w: Writing, orderId: string): boolean =>
  w.changes.some(({ state }) => state.kind === 'order' && state.id === orderId)

/** An array in PostgreSQL's own writing. Source: https://www.postgresql.org/docs/18/arrays.html#ARRAYS-INPUT */
export const arrayText = (items: readonly string[]): string =>
  `{${items.map((item) => `"${/["\\]/.test(item) ? item.replace(/["\\]/g, '\\$&') : item}"`).join(',')}}`

class Values {
  readonly all: unknown[] = []
  /** The place of a value in the statement, with its type. */
  add(value: unknown, type: string): string {
    this.all.push(value ?? null)
    return `$${this.all.length}::${type}`
  }
}

const insertStates = (values: Values, kind: Kind, states: readonly State[], texts: ReadonlyMap<State, string>) => {
  const { name, columns } = tables[kind]
  const row = (state: State): string => {
    const cells = rowOf(state)
    const own = Object.entries(columns).map(([column, type]) => values.add(cells[column], type))
    return `(${[values.add(state.id, 'uuid'), ...own, texts.get(state)].join(', ')})`
  }
  return `${name}_rows as (insert into ${name} (${['id', ...Object.keys(columns), 'state'].join(', ')})
    values ${states.map(row).join(', ')})`
}

const insertResources = (values: Values, rows: readonly ResourceRow[], now: string): string => {
  const row = (r: ResourceRow): string =>
    `(${values.add(r.type, 'text')}, ${values.add(r.id, 'uuid')}, 1, ${now}, ${values.add(arrayText([...new Set(r.seen)]), 'text[]')},
      ${values.add(arrayText(r.tokens), 'text[]')}, ${[r.from1, r.until1, r.from2, r.until2].map((t) => values.add(t, 'timestamptz')).join(', ')},
      ${values.add(r.body, 'text')})`
  return `resource_rows as (insert into resources (type, id, version, updated, seen_by, tokens, from1, until1, from2, until2, body)
    values ${rows.map(row).join(', ')})`
}

const columnsOf = (values: Values, columns: readonly (readonly [type: string, items: readonly string[]])[]): string =>
  columns.map(([type, items]) => values.add(arrayText(items), `${type}[]`)).join(', ')

const insertNames = (values: Values, rows: readonly ResourceRow[]): string => {
  const names = rows.flatMap((r) => r.names.map((n) => ({ ...n, type: r.type, id: r.id })))
  const columns = columnsOf(values, [
    ['text', names.map((n) => n.type)],
    ['uuid', names.map((n) => n.id)],
    ['text', names.map((n) => n.param)],
    ['text', names.map((n) => n.value)],
  ])
  return `new_names as (insert into names (type, id, param, value) select * from unnest(${columns}))`
}

const insertIdentities = (values: Values, given: readonly OwnedName[]): string => {
  const columns = columnsOf(values, [
    ['text', given.map((n) => n.owner)],
    ['text', given.map((n) => n.type)],
    ['text', given.map((n) => n.system)],
    ['text', given.map((n) => n.value)],
    ['uuid', given.map((n) => n.id)],
  ])
  return `identity_rows as (insert into identities (owner, type, system, value, id)
    select * from unnest(${columns}) on conflict do nothing)`
}

/** The statement and its values. An id or a placer number that is there already (23505) fails it as a whole. */
export const newRows = (
  w: Writing,
  rows: readonly ResourceRow[],
  ctx: Context,
): { readonly text: string; readonly values: readonly unknown[] } => {
  const values = new Values()
  const now = values.add(ctx.now, 'timestamptz')
  const [who, request, step] = [ctx.caller.id, ctx.requestId, w.step].map((v) => values.add(v, 'text'))
  const texts = new Map(w.changes.map(({ state }) => [state, values.add(JSON.stringify(state), 'json')]))
  const parts: string[] = []
  if (w.inbound)
    parts.push(`inbound_row as (insert into inbound (received_at, caller, route, request_id, body)
      values (${now}, ${who}, ${values.add(w.inbound.route, 'text')}, ${request}, ${values.add(w.inbound.body, 'text')}) returning id)`)
  const inbound = w.inbound ? '(select id from inbound_row)' : 'null'
  const journal = w.changes.map(({ fact, state, occurredAt }) => {
    const keys = keysOf(state)
    const at = occurredAt === ctx.now ? now : values.add(occurredAt, 'timestamptz')
    const cells = [values.add(fact, 'text'), values.add(state.kind, 'text'), values.add(state.id, 'uuid')]
    const subject = [values.add(keys.order_id, 'uuid'), values.add(keys.device_id, 'uuid')]
    const day = [values.add(keys.site, 'text'), values.add(keys.day, 'date')]
    return `(${[now, at, step, ...cells, ...subject, ...day, who, request, inbound, texts.get(state)].join(', ')})`
  })
  parts.push(`journal_rows as (insert into journal
    (recorded_at, occurred_at, step, fact, kind, id, order_id, device_id, site, day, who, request_id, inbound, state)
    values ${journal.join(', ')})`)
  const kinds = Map.groupBy(w.changes, (c) => c.state.kind)
  for (const [kind, changes] of kinds)
    parts.push(
      insertStates(
        values,
        kind,
        changes.map((c) => c.state),
        texts,
      ),
    )
  parts.push(insertResources(values, rows, now), insertNames(values, rows))
  parts.push(insertIdentities(values, w.names?.given ?? []))
  return { text: `with ${parts.join(',\n  ')} select`, values: values.all }
}
