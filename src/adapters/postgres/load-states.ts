/** Reading states: as they are now, and as they were at an earlier moment. */
import { type GapState, type Kind, type LinkState, type OrderState, ofKind, type State } from '../../model/states.ts'
import type { Tx } from './database.ts'
import { tables } from './shapes.ts'

interface Row {
  readonly state: State
}

const statesIn = (rows: readonly { state: unknown }[]): readonly State[] => (rows as readonly Row[]).map((r) => r.state)

/** The states of a kind with these ids. */
export const statesById = async (tx: Tx, kind: Kind, ids: readonly string[]): Promise<readonly State[]> =>
  ids.length === 0
    ? []
    : statesIn(await tx.query(`select state from ${tables[kind].name} where id = any($1::uuid[])`, [ids]))

/** Everything that the rules look at, of these orders and devices; each part is a look-up by key. */
export const statesAround = async (
  tx: Tx,
  orders: readonly string[],
  devices: readonly string[],
): Promise<readonly State[]> =>
  statesIn(
    await tx.query(
      `select state from orders where id = any($1::uuid[])
       union all select state from orders
         where id = any(array(select order_id from links where device_id = any($2::uuid[]) and order_id <> all($1::uuid[])))
       union all select state from links where order_id = any($1::uuid[])
       union all select state from links where device_id = any($2::uuid[]) and order_id <> all($1::uuid[])
       union all select state from kept where order_id = any($1::uuid[])
       union all select state from kept where device_id = any($2::uuid[]) and order_id <> all($1::uuid[])
       union all select state from conflicts where order_id = any($1::uuid[])
       union all select state from conflicts where device_id = any($2::uuid[]) and order_id <> all($1::uuid[])
       union all select state from applications where device_id = any($2::uuid[])
       union all select state from returns where device_id = any($2::uuid[])
       union all select state from tasks where order_id = any($1::uuid[])
       union all select state from stubs where order_id = any($1::uuid[])
       union all select state from held_reports where order_id = any($1::uuid[])
       union all select state from gaps where order_id = any($1::uuid[])
       union all select state from gaps where device_id = any($2::uuid[]) and (order_id is null or order_id <> all($1::uuid[]))`,
      [orders, devices],
    ),
  )

/** The present states of all that has to do with a site's day. */
export const statesOfDay = async (
  tx: Tx,
  site: string,
  day: string,
  span: readonly [string, string],
): Promise<readonly State[]> => {
  const rows = await tx.query<{ kind: string; id: string }>(
    `select 'order' as kind, id from orders where site = $1 and visit_day = $2
     union select 'order', order_id from links where site = $1 and day = $2
     union select 'device', device_id from links where site = $1 and day = $2
     union select 'device', device_id from applications where site = $1 and day = $2
     union select case when device_id is null then 'order' else 'device' end, coalesce(device_id, order_id) from gaps
       where (site = $1 or site is null) and day = $2 and coalesce(device_id, order_id) is not null
     union select k.kind, k.id from (
         select order_id, device_id from journal where site = $1 and day = $2
         union select order_id, device_id from journal where site = $1 and due_day = $2
         union select order_id, device_id from journal
           where site is null and kind = 'return' and occurred_at >= $3 and occurred_at < $4) j,
       lateral (values ('order', j.order_id), ('device', j.device_id)) as k(kind, id) where k.id is not null`,
    [site, day, span[0], span[1]],
  )
  const ids = (kind: string) => rows.filter((r) => r.kind === kind).map((r) => r.id)
  return statesAround(tx, ids('order'), ids('device'))
}

export const ordersById = async (tx: Tx, ids: readonly string[]): Promise<readonly OrderState[]> =>
  ofKind(await statesById(tx, 'order', [...new Set(ids)]), 'order')

/** All links of these patients. */
export const linksOfPatients = async (tx: Tx, patients: readonly string[]): Promise<readonly LinkState[]> =>
  patients.length === 0
    ? []
    : ofKind(statesIn(await tx.query('select state from links where patient_id = any($1::uuid[])', [patients])), 'link')

export const gapById = async (tx: Tx, id: string): Promise<GapState | undefined> =>
  ofKind(await statesById(tx, 'gap', [id]), 'gap')[0]
