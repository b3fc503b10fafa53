/** The facts from which a site's figures come, as of a moment, from the journal alone. */
import { factsFrom } from '../../flow/watch-flow/day-facts.ts'
import type { Evening } from '../../flow/watch-flow/evening.ts'
import { type Figures, figuresOf, windowOf } from '../../flow/watch-flow/figures/trend.ts'
import type { State } from '../../model/states.ts'
import type { Tx } from './database.ts'

/**
 * What was applied on the days, by whatever evidence, and what answers for it: all of the recorders in it, and of the
 * orders of whose visits a source speaks. Look-ups by key, as for an evening.
 */
export const figuresAsOf = async (tx: Tx, { site, day, asOf }: Evening): Promise<Figures> => {
  const { from, to } = windowOf(day)
  const rows = await tx.query<{ state: State }>(
    `with days as (select ($2::date + n) as day from generate_series(0, $3::date - $2::date) n),
     about as (select j.kind, j.device_id, j.order_id from days cross join lateral (
       select kind, device_id, order_id from journal where site = $1 and journal.day = days.day
         and kind in ('link', 'application', 'kept') and recorded_at <= $4::timestamptz offset 0) j),
     devices as (select distinct device_id as id from about where device_id is not null and kind <> 'kept'),
     orders as (select distinct order_id as id from about where order_id is not null and kind = 'kept'),
     found as (
         select j.* from devices d cross join lateral (
           select seq, kind, id from journal where device_id = d.id and kind in ('link', 'application')
             and recorded_at <= $4::timestamptz offset 0) j
         union all select j.* from orders o cross join lateral (
           select seq, kind, id from journal where order_id = o.id and kind in ('order', 'link', 'kept')
             and recorded_at <= $4::timestamptz offset 0) j),
     said as (select n.seq, k.kind, k.id from (select distinct kind, id from found where kind = 'kept') k cross join lateral (
       select seq from journal where kind = k.kind and id = k.id and recorded_at <= $4::timestamptz order by seq desc limit 1) n),
     newest as (select max(seq) as seq from (select * from found where kind <> 'kept' union all select * from said) x
       group by kind, id)
     select state from journal where seq = any(array(select seq from newest)) order by seq`,
    [site.id, from, to, asOf],
  )
  return figuresOf(site, day, factsFrom(rows.map((r) => r.state)), asOf)
}
