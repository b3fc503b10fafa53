/** Names of resources, held against the states and words that they come from, and rows that belong to no resource. */
import type { Identifier } from 'fhir/r4.js'
import { urlIdentity } from '../../flow/accept-order/incoming.ts'
import type { OrderState } from '../../model/states.ts'
import { canonical } from '../../model/tree.ts'
import type { Tx } from './database.ts'
import { parsed } from './rebuild-resources.ts'
import { counter, pagesOf, type TableCheck } from './table-check.ts'

/** Rows beside `resources` that belong to none of it. */
export const checkStray = async (tx: Tx, table: 'earlier_versions' | 'names'): Promise<TableCheck> => {
  const count = counter(table)
  const rows = await tx.query<{ name: string; n: number }>(
    `select x.type || '/' || x.id as name, count(*)::int as n from ${table} x
     where not exists (select from resources r where r.type = x.type and r.id = x.id) group by 1 order by 1`,
  )
  for (const { name, n } of rows) count.wrong('surplus', name, n)
  return count.check()
}

interface NamedRow {
  readonly type: string
  readonly id: string
  readonly owner: string
  readonly body: string
  readonly placer: OrderState['placer'] | null
  readonly names: readonly { readonly owner: string; readonly system: string; readonly value: string }[]
}

const namedResources = `select r.type, r.id, r.body, s.state->>'source' as owner, s.state->'placer' as placer,
    coalesce((select json_agg(json_build_object('owner', i.owner, 'system', i.system, 'value', i.value)) from identities i where i.type = r.type and i.id = r.id), '[]') as names
  from (select 'ServiceRequest' as type, id, state from orders union all select 'Patient', id, state from patients
    union all select state->>'type', id, state from kept) s
  join resources r on r.type = s.type and r.id = s.id order by r.type, r.id`

const wordsOf = (r: NamedRow): readonly Partial<Identifier>[] => {
  if (r.placer) return [r.placer]
  const { identifier } = parsed(r.type, r.id, { ...r, version: 1, updated: '' }) as {
    identifier?: Identifier | Identifier[]
  }
  const all = Array.isArray(identifier) ? identifier : identifier ? [identifier] : []
  return all.filter((i) => i.system !== undefined && i.system !== '' && i.value !== undefined)
}

/**
 * An order's name is its placer number, a patient's are the identifiers that it has now; what else a source sent keeps
 * the names that it once had. Addresses below a source's server are in no state and pass.
 */
export const checkNames = async (tx: Tx): Promise<TableCheck> => {
  const count = counter('identities')
  for await (const page of pagesOf<NamedRow>(tx, 'named_resources', namedResources))
    for (const row of page) {
      const ours = new Set(wordsOf(row).map(({ system, value }) => canonical([row.owner, system ?? '', value ?? ''])))
      const stored = new Map(row.names.map((n) => [canonical([n.owner, n.system, n.value]), n]))
      count.follows(ours.size)
      for (const key of ours) if (!stored.has(key)) count.wrong('missing', `${row.type}/${row.id}`)
      if (row.type === 'ServiceRequest' || row.type === 'Patient')
        for (const [key, { system }] of stored)
          if (!ours.has(key) && system !== urlIdentity) count.wrong('surplus', `${row.type}/${row.id}`)
    }
  const stray = await tx.query<{ name: string }>(
    `select distinct i.type || '/' || i.id as name from identities i
     where not exists (select from resources r where r.type = i.type and r.id = i.id) order by 1`,
  )
  for (const { name } of stray) count.wrong('surplus', name)
  return count.check()
}
