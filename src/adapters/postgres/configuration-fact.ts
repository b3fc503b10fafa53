/**
 * The configuration in force is a fact in the journal: an evening as of an earlier moment is told by the cut-offs and
 * rules of then. No secret is part of it.
 */
import { randomUUIDv7 } from 'node:crypto'
import type { Access, Parties, Tolerances } from '../../model/configuration.ts'
import type { Instant } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import type { Tx } from './database.ts'
import { inStep, type StepRunner } from './run-step.ts'

export interface ConfigurationFact {
  readonly parties: Parties
  readonly tolerances: Tolerances
}

const id = '00000000-0000-4000-8000-000000000001'

const withoutAccess = <T extends Access>({ token: _token, smart: _smart, tls: _tls, ...rest }: T) => rest

const factOf = ({ parties, tolerances }: ConfigurationFact): ConfigurationFact => ({
  parties: {
    sites: parties.sites,
    sources: parties.sources.map(withoutAccess),
    readingServices: parties.readingServices.map(withoutAccess),
  },
  tolerances,
})

const newest = `select state from journal where kind = 'configuration' and id = '${id}'`

export const configurationAsOf = async (tx: Tx, asOf: Instant): Promise<ConfigurationFact | undefined> => {
  const [row] = await tx.query<{ state: ConfigurationFact }>(
    `${newest} and recorded_at <= $1::timestamptz order by seq desc limit 1`,
    [asOf],
  )
  return row?.state
}

/** Written at the start when it differs from what was in force. */
export const recordConfiguration = (runner: Pick<StepRunner, 'db' | 'parties' | 'tolerances'>): Promise<void> => {
  const fact = factOf(runner)
  const acting = {
    caller: { id: 'daybind', role: 'operator' },
    requestId: randomUUIDv7(),
    locks: ['configuration'],
  } as const
  return inStep(runner, acting, async (tx, begun) => {
    const ctx = await begun
    const [row] = await tx.query<{ state: ConfigurationFact }>(`${newest} order by seq desc limit 1`)
    if (row && canonical(row.state) === canonical(fact)) return { end: 'rollback' }
    await tx.query(
      `insert into journal (recorded_at, occurred_at, step, fact, kind, id, who, request_id, state)
       values ($1::timestamptz, $1::timestamptz, 'operate', 'configured', 'configuration', '${id}', 'daybind', $2, $3)`,
      [ctx.now, ctx.requestId, JSON.stringify(fact)],
    )
    return { end: 'commit' }
  })
}
