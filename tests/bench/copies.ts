/**
 * Many open orders without waiting for each: one real order is sent, and what it left in every table is copied, row by
 * row, with new ids, a new number, an earlier moment and another visit day. Whatever the service stores of an order is
 * in the copies, with every index filled, and they can be linked as real ones.
 */
import { randomUUID } from 'node:crypto'
import { Client } from 'pg'
import { numbersOf, orderText, patientUrn } from './order-message.ts'

export interface OpenOrders {
  /** How many there are. */
  count(): number
  /** Makes as many as are missing. */
  atLeast(count: number): Promise<void>
  /** Makes as many as are missing until so many are left to be taken. */
  spare(count: number): Promise<void>
  /** The number of an order that nobody was given yet. @throws where none is left */
  take(): string
}

/** Visits of the copies lie on this many days, half of them before the day of the run. */
export const visitDays = 100

interface Row {
  readonly table: string
  /** Its text in PostgreSQL's form of a row, with slots for what is new in each copy. */
  readonly text: string
  readonly row: Readonly<Record<string, unknown>>
}

interface Column {
  readonly table: string
  readonly column: string
  /** Counts up by itself. */
  readonly counts: boolean
  /** Of a counting column that this one refers to. */
  readonly refers: string | null
}

const number = '9000000000000001'
/** Stands for the visit in the order that is copied: a day that nothing else of it names. */
const visit = '2031-01-13'
const daysAround = { '2031-01-12': '%7$s', [visit]: '%5$s', '2031-01-14': '%6$s' }
/** The copies lie this far apart, the last of a million before now. */
const secondsApart = 10
const most = 1_000_000

export const copyNumber = (n: number): string => String(n).padStart(number.length, '0')

const columnsSql = `select c.relname as table, a.attname as column, a.attidentity <> '' as counts, f.relname as refers
  from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped and a.attgenerated = ''
  left join pg_constraint k on k.conrelid = c.oid and k.contype = 'f' and k.conkey = array[a.attnum]
  left join pg_class f on f.oid = k.confrelid
  where c.relnamespace = 'daybind'::regnamespace and c.relkind = 'r' order by f.relname is not null, c.relname, a.attnum`

const rowsOf = async (client: Client, tables: Iterable<string>): Promise<ReadonlyMap<string, Row>> => {
  const all = new Map<string, Row>()
  for (const table of tables) {
    const { rows } = await client.query(`select t::text as text, to_jsonb(t) as row from ${table} t`)
    for (const { text, row } of rows) all.set(`${table} ${text}`, { table, text, row })
  }
  return all
}

/** Slots of `format`: 1 the time in ids, 2 the number, 3 and 4 the second of the step, 5 to 7 the days around the visit. */
const slotted = (text: string, seconds: readonly string[]): string => {
  let slots = text
    .replaceAll('%', '%%')
    .replace(/\b[0-9a-f]{8}-[0-9a-f]{4}(?=-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}\b)/g, '%1$s')
    .replaceAll(number, '%2$s')
  for (const second of seconds) slots = slots.replaceAll(second.replace('T', ' '), '%3$s').replaceAll(second, '%4$s')
  for (const [day, slot] of Object.entries(daysAround)) slots = slots.replaceAll(day, slot)
  return slots
}

/** Every second from one moment to another, as it begins in ISO 8601. */
const secondsBetween = (from: number, until: number): readonly string[] =>
  Array.from({ length: Math.floor(until / 1000) - Math.floor(from / 1000) + 1 }, (_, i) =>
    new Date((Math.floor(from / 1000) + i) * 1000).toISOString().slice(0, 19),
  )

/** What an order added to the tables: nothing else may write meanwhile. */
const template = async (client: Client, tables: ReadonlySet<string>, post: (body: string) => Promise<unknown>) => {
  const text = orderText(visit)
  const urns = () => text(number).replaceAll(patientUrn, `urn:uuid:${randomUUID()}`)
  // the first order may leave what later ones find there
  await post(text(numbersOf('T')()))
  const before = await rowsOf(client, tables)
  const from = Date.now()
  await post(urns())
  const seconds = secondsBetween(from, Date.now())
  const added = [...(await rowsOf(client, tables))].filter(([key]) => !before.has(key)).map(([, row]) => row)
  return { rows: added.map((r) => ({ ...r, text: slotted(r.text, seconds) })), at: from }
}

type Template = Awaited<ReturnType<typeof template>>

const argumentsSql = `cross join lateral (select
    regexp_replace(lpad(to_hex($3::bigint + n), 12, '0'), '^(.{8})', '\\1-') as a1,
    lpad(n::text, ${number.length}, '0') as a2,
    to_timestamp($3::bigint / 1000) at time zone 'utc' - (${most} - n) * interval '${secondsApart} s' as moment,
    current_date + (n % ${visitDays} - ${visitDays / 2})::int as day) a
  cross join lateral (select format($4, a1, a2, to_char(moment, 'YYYY-MM-DD HH24:MI:SS'),
    to_char(moment, 'YYYY-MM-DD"T"HH24:MI:SS'), day, day + 1, day - 1) as text offset 0) t`

/** Copies from `first` to `last`, in the order in which tables refer to each other. */
const copy = async (client: Client, columns: readonly Column[], t: Template, first: number, last: number) => {
  const bases = new Map<string, number>()
  const rowsIn = (table: string) => t.rows.filter((r) => r.table === table)
  for (const table of new Set(columns.map((c) => c.table))) {
    const rows = rowsIn(table)
    const own = columns.filter((c) => c.table === table)
    const counting = own.find((c) => c.counts)
    if (rows.length > 0 && counting) bases.set(table, await reserve(client, counting, rows.length * (last - first + 1)))
    for (const [i, { text, row }] of rows.entries()) {
      const counted = (of: string, at: number) => `${bases.get(of)} + (n - $1) * ${rowsIn(of).length} + ${at}`
      const values = own.map(({ column, counts, refers }) => {
        if (counts) return counted(table, i)
        const at = refers === null ? -1 : rowsIn(refers).findIndex((r) => Object.values(r.row).includes(row[column]))
        return refers === null || !bases.has(refers) || at < 0 ? `(r).${column}` : counted(refers, at)
      })
      await client.query(
        `insert into ${table} (${own.map((c) => c.column).join(', ')}) overriding system value
         select ${values.join(', ')} from generate_series($1::int, $2::int) n ${argumentsSql}
         cross join lateral (select t.text::${table} as r offset 0) x`,
        [first, last, t.at - 2 * most, text],
      )
    }
  }
}

/** The first of so many values that nobody else will get. */
const reserve = async (client: Client, { table, column }: Column, count: number): Promise<number> => {
  const { rows } = await client.query<{ base: string }>(
    `select nextval(s) as base, setval(s, currval(s) + $3) from (select pg_get_serial_sequence($1, $2)::regclass as s) x`,
    [`daybind.${table}`, column, count],
  )
  return Number(rows[0]?.base)
}

/** In one transaction each, small enough for the memory of small machines. */
const chunk = 5_000

/** @param post sends an order and waits for the answer; nobody else may write before this resolves */
export const openOrders = async (
  databaseUrl: string,
  post: (body: string) => Promise<unknown>,
): Promise<OpenOrders> => {
  const withClient = async <T>(work: (client: Client) => Promise<T>): Promise<T> => {
    const options = '-c search_path=daybind,public -c timezone=UTC -c datestyle=ISO'
    const client = new Client({ connectionString: databaseUrl, options })
    await client.connect()
    return work(client).finally(() => client.end())
  }
  const columns = await withClient(async (client) => (await client.query<Column>(columnsSql)).rows)
  const tables = new Set(columns.map((c) => c.table))
  const pattern = await withClient((client) => template(client, tables, post))
  let made = 0
  let taken = 0
  const atLeast = (count: number) =>
    withClient(async (client) => {
      if (count <= made) return
      for (; made < count; made = Math.min(count, made + chunk))
        await copy(client, columns, pattern, made + 1, Math.min(count, made + chunk))
      await client.query('vacuum analyze')
    })
  return {
    count: () => made,
    atLeast,
    spare: (count) => atLeast(taken + count),
    take: () => {
      if (taken >= made) throw new Error('There are no open orders left: make more of them first.')
      return copyNumber(++taken)
    },
  }
}
