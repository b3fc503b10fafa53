/** The facts from which a site's figures come, as of a moment, from the journal alone. */
import { factsFrom } from '../../flow/watch-flow/day-facts.ts'
import type { Evening } from '../../flow/watch-flow/evening.ts'
import { type Figures, figuresOf, windowOf } from '../../flow/watch-flow/figures/trend.ts'
import type { State } from '../../model/states.ts'
import type { Tx } from './database.ts'

/** Links and applications of the days, and of the recorders in them: look-ups by key, as for an evening. */
export const figuresAsOf = async (tx: Tx, { site, day, asOf }: Evening): Promise<Figures> => {
  const { from, to } = windowOf(day)
  const rows = await tx.query<{ state: State }>(
    `with days as (select ($2::date + n) as day from generate_series(0, $3::date - $2::date) n),
     devices as (select distinct j.device_id as id from days cross join lateral (
       select device_id from journal where site = $1 and journal.day = days.day and kind in ('link', 'application')
         and recorded_at <= $4::timestamptz offset 0) j where j.device_id is not null),
     newest as (select max(j.seq) as seq from devices d cross join lateral (
       select seq, kind, id from journal where device_id = d.id and kind in ('link', 'application')
         and recorded_at <= $4::timestamptz offset 0) j group by j.kind, j.id)
     select state from journal where seq = any(array(select seq from newest)) order by seq`,
    [site.id, from, to, asOf],
  )
  return figuresOf(site, day, factsFrom(rows.map((r) => r.state)), asOf)
}
