/** Which Tasks are looked at on the server of their reading service, and when. Real time. */
import type { Tx } from './database.ts'

/** How often, in seconds: work that nobody has answered for, and work that was taken and is not done. */
export interface LookPace {
  readonly unanswered: number
  readonly taken: number
}

export const usualLookPace: LookPace = { unanswered: 60, taken: 600 }

const openWork = (alias: string): string =>
  `${alias}.state->>'asks' = 'fulfill' and ${alias}.state->>'status' in ('requested', 'received', 'accepted', 'in-progress')`

/** Work on an order that a reading service has not finished. */
export const openTasks = async (tx: Tx, order: string, readingService: string): Promise<readonly string[]> => {
  const rows = await tx.query<{ id: string }>(
    `select t.id from tasks t where t.order_id = $1 and t.state->>'readingService' = $2 and ${openWork('t')}`,
    [order, readingService],
  )
  return rows.map((r) => r.id)
}

/** A message arrived with them: what it asks for may be answered there. */
export const lookLater = (tx: Tx, order: string, readingService: string, pace: LookPace) =>
  tx.query(
    `insert into task_looks (id, reading_service, due_at)
     select t.id, $2, clock_timestamp() + make_interval(secs => $3) from tasks t
     where t.order_id = $1 and t.state->>'readingService' = $2 and ${openWork('t')}
     on conflict do nothing`,
    [order, readingService, pace.unanswered],
  )

/** Takes Tasks whose time has come; they come again after a while, also where nobody finishes looking. */
export const takeLooks = async (
  tx: Tx,
  readingService: string,
  pace: LookPace,
  limit: number,
): Promise<readonly string[]> => {
  const rows = await tx.query<{ id: string }>(
    `update task_looks set due_at = clock_timestamp() + make_interval(secs => $2)
     where id in (select id from task_looks where reading_service = $1 and due_at <= statement_timestamp()
       order by due_at limit $3 for update skip locked)
       and not exists (select from destinations p where p.id = $1 and (p.paused or p.closed_until > statement_timestamp()))
     returning id`,
    [readingService, pace.unanswered, limit],
  )
  return rows.map((r) => r.id)
}

/** Work that is over is not looked at any more, and work that was taken less often. */
export const afterLooks = (tx: Tx, ids: readonly string[], pace: LookPace) =>
  tx.query(
    `with looked as (select t.id, t.state->>'status' as status from unnest($1::uuid[]) x (id)
       cross join lateral (select * from tasks t where t.id = x.id offset 0) t),
     slower as (update task_looks l set due_at = clock_timestamp() + make_interval(secs => $2)
       where l.id in (select id from looked where status in ('accepted', 'in-progress')))
     delete from task_looks l
     where l.id in (select id from looked where status not in ('requested', 'received', 'accepted', 'in-progress'))`,
    [ids, pace.taken],
  )
