/** Pages while others write: nothing is missed and nothing shown twice. R4 4.0.1, search.html, "Paging". */
import type { Bundle, Patient } from 'fhir/r4.js'
import { Client } from 'pg'
import { beforeAll, describe, expect, it } from 'vitest'
import { stampLock } from '../../src/adapters/clock.ts'
import { aPatient, bundle, entry, harbour, refusalOf } from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'

const service = useTestService()
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)

const numbers = Array.from({ length: 40 }, (_, i) => `P${String(i).padStart(2, '0')}`)

const put = (number: string, over: Partial<Patient> = {}) =>
  entry(`PUT Patient?identifier=${harbour.patients}|${number}`, aPatient(number, over))

const send = (...entries: ReturnType<typeof put>[]) => ehr('POST', '/fhir', { body: bundle('transaction', ...entries) })

/** So that every revision is one: no two say the same. */
let said = 0
const anew = (): Partial<Patient> => ({ telecom: [{ system: 'phone', value: `${++said}` }] })

interface Walked {
  readonly patients: readonly Patient[]
  readonly next?: string
}

const page = async (path: string): Promise<Walked> => {
  const { status, body, text } = await ehr<Bundle<Patient>>('GET', path)
  if (status !== 200) throw new Error(text)
  const next = body.link?.find((l) => l.relation === 'next')?.url.replace(service().url, '')
  return { patients: (body.entry ?? []).flatMap((e) => e.resource ?? []), ...(next !== undefined && { next }) }
}

/** Every page from the first, by the links. */
const walk = async (query: string, between: () => Promise<unknown> = async () => {}): Promise<readonly Patient[]> => {
  const all: Patient[] = []
  for (let next: string | undefined = `/fhir/Patient?${query}`; next !== undefined; ) {
    const got: Walked = await page(next)
    all.push(...got.patients)
    next = got.next
    if (next !== undefined) await between()
  }
  return all
}

const numberOf = (p: Patient): string => p.identifier?.[0]?.value ?? ''
const numbersOf = (all: readonly Patient[]): readonly string[] => all.map(numberOf).filter((n) => numbers.includes(n))

beforeAll(async () => {
  for (const number of numbers) await send(put(number))
})

const queries = [
  '_count=7',
  '_count=7&_sort=-_lastUpdated',
  '_count=7&_sort=_lastUpdated',
  `_count=7&identifier=${harbour.patients}|`,
  '_count=7&family=sand&_sort=-_lastUpdated',
  '_count=7&family=s',
  '_count=7&birthdate=1950-03-17',
  '_count=7&birthdate=lt1951&_sort=-_lastUpdated',
  '_count=7&_lastUpdated=gt2020&_sort=-_lastUpdated',
]

describe.each(queries)('the pages of %s', (query) => {
  it('hold each once while what is on them, behind them and before them is changed, and more comes', async () => {
    let n = 0
    const all = await walk(query, async () => {
      n += 1
      await send(...[n, 20 + n, 39 - n].map((i) => put(numbers[i] ?? '', anew())))
      await send(put(`NEW-${query}-${n}`))
    })
    expect(numbersOf(all).toSorted()).toEqual(numbers)
    const moments = all.map((p) => p.meta?.lastUpdated ?? '')
    expect(moments).toEqual(query.includes('-_last') ? moments.toSorted().toReversed() : moments.toSorted())
  })

  it('hold each once while writers do not pause', async () => {
    let going = true
    const writers = [1, 2, 3].map(async (w) => {
      for (let n = w; going; n += 3)
        await send(put(numbers[(n * 7) % 40] ?? '', anew()), put(`BUSY-${w}-${n % 5}`, anew()))
    })
    try {
      for (let round = 0; round < 4; round += 1) expect(numbersOf(await walk(query)).toSorted()).toEqual(numbers)
    } finally {
      going = false
      await Promise.all(writers)
    }
  })
})

describe('the pages of a run', () => {
  it('show what matched when it began, as it was then', async () => {
    await send(put('RUN-1', { active: true }), put('RUN-2', { active: true }), put('RUN-3', { active: true }))
    const first = await page('/fhir/Patient?active=true&identifier=RUN-1,RUN-2,RUN-3&_count=1')
    await send(
      put('RUN-2', { active: false }),
      put('RUN-3', { active: true, ...anew() }),
      put('RUN-4', { active: true }),
    )
    const rest = [...first.patients, ...(await walk(first.next?.split('?')[1] ?? ''))]
    expect(rest.map((p) => [numberOf(p), p.active, p.meta?.versionId]).toSorted()).toEqual([
      ['RUN-1', true, '1'],
      ['RUN-2', true, '1'],
      ['RUN-3', true, '1'],
    ])
  })

  it('by a name, and by one that somebody has only since', async () => {
    const named = (family: string) => ({ name: [{ family, given: ['Anna'] }] })
    await send(...['A', 'B', 'C'].map((n) => put(`NAMED-${n}`, named('Wrenfield'))), put('NAMED-D', named('Other')))
    const first = await page('/fhir/Patient?family=wrenf&_count=1')
    await send(put('NAMED-D', named('Wrenfield')), put('NAMED-B', { ...named('Wrenfield'), ...anew() }))
    const rest = [...first.patients, ...(await walk(first.next?.split('?')[1] ?? ''))]
    expect(rest.map(numberOf).toSorted()).toEqual(['NAMED-A', 'NAMED-B', 'NAMED-C'])
  })

  it('keep the total that was counted for the first', async () => {
    const query = `identifier=${harbour.patients}|&_total=accurate&_count=15`
    const totals: (number | undefined)[] = []
    for (let next: string | undefined = `/fhir/Patient?${query}`; next !== undefined; ) {
      const { body }: { body: Bundle } = await ehr<Bundle>('GET', next)
      totals.push(body.total)
      next = body.link?.find((l) => l.relation === 'next')?.url.replace(service().url, '')
      await send(put(`TOTAL-${totals.length}`))
    }
    expect(totals.length).toBeGreaterThan(2)
    expect(new Set(totals).size).toBe(1)
  })
})

/** Who follows changes asks again from the last moment that they saw. */
describe('following changes by _lastUpdated', () => {
  it('misses nothing, whatever is committed late', async () => {
    const seen = new Map<string, Set<string>>()
    let from = new Date(Date.now() - 1).toISOString()
    const follow = async (): Promise<void> => {
      for (const p of await walk(`_sort=_lastUpdated&_lastUpdated=ge${from}&_count=5`)) {
        const number = numberOf(p)
        seen.set(number, (seen.get(number) ?? new Set()).add(p.meta?.versionId ?? ''))
        from = p.meta?.lastUpdated ?? from
      }
    }
    let going = 4
    const written = new Map<string, number>()
    const writers = [0, 1, 2, 3].map(async (w) => {
      for (let n = 0; n < 25; n += 1) {
        const number = `FOLLOW-${w}-${n % 10}`
        const answer = await send(put(number, anew()), put(`FOLLOW-${w}-x${n}`))
        expect(answer.status).toBe(200)
        written.set(number, (written.get(number) ?? 0) + 1)
        written.set(`FOLLOW-${w}-x${n}`, 1)
      }
      going -= 1
    })
    while (going > 0) await follow()
    await Promise.all(writers)
    await follow()
    // the newest version of each is seen at the least; an older one that was replaced between two looks need not be
    for (const [number, versions] of written)
      expect([number, seen.get(number)?.has(`${versions}`)]).toEqual([number, true])
  })

  it('misses nothing that was stamped first and is committed last, and holds up no other', async () => {
    const client = new Client({ connectionString: service().database, options: '-c search_path=daybind,public' })
    await client.connect()
    try {
      await client.query(`begin; select pg_advisory_xact_lock_shared(${stampLock})`)
      const { rows } = await client.query<{ id: string; updated: Date }>(
        `insert into resources (type, id, version, updated, seen_by, tokens, body)
         values ('Patient', gen_random_uuid(), 1, clock_timestamp(), '{source:harbour-ehr}', '{}', '}}') returning id, updated`,
      )
      const before = new Date((rows[0]?.updated.getTime() ?? 0) - 1).toISOString()
      const following = walk(`_sort=_lastUpdated&_lastUpdated=ge${before}&_count=200`)
      expect((await send(put('MEANWHILE', anew()))).status).toBe(200)
      expect((await ehr('GET', '/fhir/Patient?identifier=MEANWHILE')).status).toBe(200)
      await client.query('commit')
      const seen = await following
      const again = await walk(
        `_sort=_lastUpdated&_lastUpdated=ge${seen.at(-1)?.meta?.lastUpdated ?? before}&_count=200`,
      )
      expect([...seen, ...again].map((p) => p.id)).toContain(rows[0]?.id)
      expect([...seen, ...again].map(numberOf)).toContain('MEANWHILE')
    } finally {
      await client.end()
    }
  })

  it('goes on without a step that takes too long, and shows nothing that is stamped after it began', async () => {
    const client = new Client({ connectionString: service().database })
    await client.connect()
    try {
      await client.query(`begin; select pg_advisory_xact_lock_shared(${stampLock})`)
      await send(put('AFTER-THE-SLOW', anew()))
      const shown = await walk('_sort=_lastUpdated&_lastUpdated=gt2020&_count=200')
      expect(shown.map(numberOf)).not.toContain('AFTER-THE-SLOW')
      expect(shown.length).toBeGreaterThan(40)
      await client.query('commit')
      expect((await walk('_sort=_lastUpdated&_count=200')).map(numberOf)).toContain('AFTER-THE-SLOW')
    } finally {
      await client.end()
    }
  })
})

describe('a cursor', () => {
  const cursorOf = async (query: string): Promise<string> =>
    new URLSearchParams((await page(`/fhir/Patient?${query}`)).next?.split('?')[1] ?? '').get('_cursor') ?? ''
  const answerTo = async (cursor: string, query: string) =>
    refusalOf(await ehr('GET', `/fhir/Patient?${query}&_cursor=${encodeURIComponent(cursor)}`))
  const written = (plain: string) => Buffer.from(plain).toString('base64url')

  it('goes on with another page size and other includes', async () => {
    const cursor = await cursorOf('family=sand&_count=3')
    expect((await ehr('GET', `/fhir/Patient?family=sand&_count=9&_cursor=${cursor}`)).status).toBe(200)
    expect((await ehr('GET', `/fhir/Patient?family=sand&_include=x&_cursor=${cursor}`)).status).toBe(200)
  })

  it('of another search, another release or too long ago is 410, and says what to do', async () => {
    const cursor = await cursorOf('family=sand&_count=3')
    const plain = Buffer.from(cursor, 'base64url').toString()
    const gone = { status: 410, codes: ['cursor-gone'] }
    expect(await answerTo(cursor, 'family=sanding')).toEqual(gone)
    expect(await answerTo(cursor, 'family=sand&_sort=-_lastUpdated')).toEqual(gone)
    expect(await answerTo(written(plain.replace(/^2 /, '3 ')), 'family=sand')).toEqual(gone)
    const older = '2026-11-25T02:01:09.967698Z 01a2106f-7653-72ea-88a9-64a2d2532165'
    expect(await answerTo(written(older), 'family=sand')).toEqual(gone)
    const [shape, query, , ...rest] = plain.split(' ')
    const old = [shape, query, '2020-01-01T00:00:00.000000Z', ...rest].join(' ')
    expect(await answerTo(written(old), 'family=sand')).toEqual(gone)
    const { body } = await ehr('GET', `/fhir/Patient?family=sanding&_cursor=${cursor}`)
    expect(body.issue[0]?.diagnostics).toContain('search again from the first page')
  })

  it.each(['x', '', '%00', 'bm90aGluZw', `${'A'.repeat(400)}`])('that never was one is 400: %s', async (cursor) => {
    expect(refusalOf(await ehr('GET', `/fhir/Patient?_cursor=${cursor}`))).toEqual({
      status: 400,
      codes: ['wrong-parameter'],
    })
  })
})
