/**
 * Makes everything that follows from the journal anew and holds it against what is stored, row by row; writes nothing.
 * It reads one snapshot, so a service may run on the same database meanwhile.
 *
 * What does not follow, and is not looked at: messages in and out (`inbound`, `deliveries`, `destinations`), whom gaps were told to (`alerts`, `told_gaps`), answers
 * under capture keys, evenings as issued with their MeasureReports, and the ids of Provenances and AuditEvents. The words of others
 * are in `resources` and `earlier_versions` alone; the journal holds their hash, by which they are checked.
 */
import type { Kind, State } from '../../model/states.ts'
import type { Database, Tx } from './database.ts'
import { checkNames, checkStray } from './rebuild-names.ts'
import { checkResources } from './rebuild-resources.ts'
import { rowOf, tables } from './shapes.ts'
import { counter, pagesOf, type TableCheck } from './table-check.ts'

const columnsOf = (kind: Kind): readonly string[] => [...Object.keys(tables[kind].columns), 'state']

/** A state is the same whatever the order of its elements and the way in which its numbers are written. */
const differs = (column: string): string =>
  column === 'state' ? `t.state::jsonb is distinct from x.state` : `t.${column} is distinct from x.${column}`

/** The newest state of each id is the row. What is stored between two ids of ours and is not ours is too much. */
const checkStates = async (tx: Tx, kind: Kind): Promise<TableCheck> => {
  const { name, columns } = tables[kind]
  const count = counter(name)
  const types = ['id uuid', ...Object.entries(columns).map(([c, t]) => `${c} ${t}`), 'state jsonb'].join(', ')
  const differ = columnsOf(kind).map((c) => `case when ${differs(c)} then '${c}' end`)
  const compared = `select coalesce(t.id, x.id) as id, t.id is not null as stored, x.id is not null as ours, concat_ws(', ', ${differ.join(', ')}) as places
    from (select * from ${name} where id > $2::uuid and ($3::uuid is null or id <= $3::uuid)) t
    full join jsonb_to_recordset($1) as x(${types}) on x.id = t.id
    where t.id is null or x.id is null or ${columnsOf(kind).map(differs).join(' or ')} order by 1`
  let last = '00000000-0000-0000-0000-000000000000'
  const compare = async (states: readonly State[], until: string | null) => {
    const values = [JSON.stringify(states.map(rowOf)), last, until]
    const rows = await tx.query<{ id: string; stored: boolean; ours: boolean; places: string }>(compared, values)
    for (const { id, stored, ours, places } of rows)
      count.wrong(
        stored && ours ? 'differing' : ours ? 'missing' : 'surplus',
        stored && ours ? `${id} (${places})` : id,
      )
    count.follows(states.length)
    last = until ?? last
  }
  const newest = `select distinct on (id) id, state from journal where kind = '${kind}' order by id, seq desc`
  for await (const page of pagesOf<{ id: string; state: State }>(tx, `rebuilt_${name}`, newest))
    await compare(
      page.map((r) => r.state),
      page.at(-1)?.id ?? null,
    )
  await compare([], null)
  return count.check()
}

/** Holds every table that follows from the journal against it. */
export const checkRebuild = (db: Database): Promise<readonly TableCheck[]> =>
  db.transaction(async (tx) => {
    await tx.script(
      'begin isolation level repeatable read, read only; set local statement_timeout = 0; set local idle_in_transaction_session_timeout = 0',
    )
    const checks: TableCheck[] = []
    for (const kind of Object.keys(tables) as Kind[]) checks.push(await checkStates(tx, kind))
    checks.push(...(await checkResources(tx)))
    for (const table of ['earlier_versions', 'names'] as const) checks.push(await checkStray(tx, table))
    checks.push(await checkNames(tx))
    await tx.script('rollback')
    return checks
  })
