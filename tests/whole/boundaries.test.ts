/** Each cell of the contract's table is called: role × operation × site × source × reading service. */
import type { Bundle, CapabilityStatement, FhirResource, Parameters, Task } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { searchLimits } from '../../src/adapters/postgres/read-search.ts'
import { definitionTypes } from '../support/definition-types.ts'
import { testKeys } from '../support/keys.ts'
import { found, placeOrder, refusalOf } from '../support/messages.ts'
import { type Answer, caller, testSources, useTestService } from '../support/service.ts'
import { linkParameters } from '../support/world.ts'
import { type Asked, type Asking, type Row, readable, tableOf } from './boundary-table.ts'
import {
  type Cell,
  cells,
  family,
  given,
  type Ids,
  idOf,
  makeCells,
  patientNumber,
  placer,
  services,
  sources,
} from './boundary-world.ts'

/** Nobody listens there: deliveries wait. */
const nowhere = 'http://127.0.0.1:2/fhir'
const callers = [
  ...sources.map((id) => caller(id, 'source')),
  caller('bay-3', 'clinic', 'tern-harbour'),
  caller('lane-desk', 'clinic', 'quarry-lane'),
  ...services.map((id) => caller(id, 'reading-service')),
  caller('ops', 'operator'),
]

const service = useTestService({
  callers,
  sources: testSources,
  configuration: { keys: testKeys },
  readingServices: [
    {
      id: 'pebble',
      fhir: nowhere,
      accept: 'PT4H',
      takes: [{ code: { system: 'http://snomed.info/sct', code: '46825001' } }],
    },
    {
      id: 'lantern',
      fhir: nowhere,
      accept: 'PT4H',
      takes: [{ code: { system: 'http://snomed.info/sct', code: '266706003' } }],
    },
  ],
})

let ids: readonly Ids[] = []
const tasks = new Map<string, Task>()
beforeAll(async () => {
  ids = await makeCells(service())
  for (const cell of ids) {
    const id = idOf(cell, 'worn.Task')
    tasks.set(id, (await service().as('ops')<Task>('GET', `/fhir/Task/${id}`)).body)
  }
})

type Role = 'source' | 'clinic' | 'reading' | 'operator'
const roles: Readonly<Record<string, Role>> = {
  'harbour-ehr': 'source',
  'lowwater-ehr': 'source',
  'bay-3': 'clinic',
  'lane-desk': 'clinic',
  pebble: 'reading',
  lantern: 'reading',
  ops: 'operator',
}

/** Whether a cell is theirs. */
const owns = (who: string, c: Cell): boolean =>
  ({
    source: c.source === who,
    clinic: c.site === (who === 'bay-3' ? 'tern-harbour' : 'quarry-lane'),
    reading: c.service === who,
    operator: true,
  })[roles[who] ?? 'operator']

const expectedOf = (row: Row, who: string, c: Cell): string => {
  const role = roles[who] ?? 'operator'
  return role === 'operator' ? row.operator : row[role][owns(who, c) ? 0 : 1]
}

/** What they may name beside what a row is about: of the first cell that is theirs. */
const asking = (who: string): Asking => {
  const c = cells.find((x) => owns(who, x)) as Cell
  const own = ids[c.n] as Ids
  return {
    id: who,
    cell: c,
    site: who === 'lane-desk' ? 'quarry-lane' : who === 'bay-3' ? 'tern-harbour' : c.site,
    patient: idOf(own, 'back.Patient'),
    order: idOf(own, 'open.ServiceRequest'),
    link: idOf(own, 'worn.DeviceUseStatement'),
  }
}

const nobody = '01900000-0000-7000-8000-000000000001'
const uuid = /[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}/g
const uuidOrNone = (text: string) => text.match(new RegExp(uuid, ''))?.[0]

/** A name of the same form that is nobody's. */
const absent = (name: string): string => {
  if (uuidOrNone(name)) return name.replaceAll(uuid, nobody)
  if (/C\d$/.test(name)) return name.replace(/C\d$/, 'C9')
  if (/^\d{4}-\d{2}-\d{2}$/.test(name)) return name.replace(/..$/, '22')
  return name.slice(0, -1) + (name.endsWith('x') ? 'y' : 'x')
}

const method = (row: Row): string => row.route.split(' ')[0] ?? ''

const send = (row: Row, asked: Asked, who: string | undefined, token?: string): Promise<Answer<unknown>> => {
  const ask = who === undefined ? service().call : service().as(who)
  const { path, body, headers } = asked
  return ask(method(row), path, {
    ...(token !== undefined && { token }),
    ...(body !== undefined && { body }),
    ...(headers && { headers }),
  })
}

const read = (row: Row, answer: Answer<unknown>): string => (row.read ?? ((a) => String(a.status)))(answer)

/**
 * What can be compared of two answers: status, headers and body, but for the name that was asked for, ids that were
 * made just now, and moments. Ids of what is known stay: they would tell.
 */
const comparable = (answer: Answer<unknown>, name: string) => {
  const known = new Set(ids.flatMap((cell) => Object.values(cell)))
  const plain = (text: string) =>
    (name === '' ? text : text.replaceAll(encodeURIComponent(name), '<name>').replaceAll(name, '<name>'))
      .replaceAll(uuid, (id) => (known.has(id) ? id : '<new>'))
      .replaceAll(/\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d+Z/g, '<now>')
  const headers = [...answer.headers].filter(
    ([header]) => !['date', 'x-request-id', 'content-length', 'last-modified'].includes(header),
  )
  // a length tells too, where the names are of one length
  return { status: answer.status, headers: headers.map(([h, v]) => `${h}: ${plain(v)}`), body: plain(answer.text) }
}

/** What nobody may learn who does not see the cell: names, numbers and ids that they did not say themselves. */
const secretsOf = (c: Cell, said: string): readonly string[] => {
  const kinds = ['open', 'worn', 'back'] as const
  const words = kinds.flatMap((k) => [family(c, k), given(c, k), patientNumber(c, k), placer(c, k)])
  const numbers = Object.entries(ids[c.n] ?? {}).flatMap(([name, id]) =>
    /Device$|MeasureReport/.test(name) ? [] : [id],
  )
  return [...words, ...numbers].filter((secret) => !said.includes(secret))
}

/** The contract's rows that are not built answer 501 to whoever may; once one is built, its columns say what it does. */
const isBuilt = async (row: Row, c: Cell): Promise<boolean> => {
  if (!row.later) return true
  const name = row.names?.(c, ids[c.n] as Ids) ?? ''
  return (await send(row, row.ask(name, c, asking('ops'), ids[c.n] as Ids), 'ops')).status !== 501
}

const checkCell = async (row: Row, who: string, c: Cell, built: boolean): Promise<void> => {
  const own = ids[c.n] as Ids
  const name = row.names?.(c, own) ?? ''
  const asked = row.ask(name, c, asking(who), own)
  const answer = await send(row, asked, who)
  const meant = expectedOf(row, who, c)
  const expected = meant !== '403' && !built ? '501' : meant
  const label = `${row.route} by ${row.by ?? '-'}: ${who}, cell ${c.n}`
  expect([label, read(row, answer)], answer.text).toEqual([label, expected])
  if (expected === '403') expect([label, answer.text]).toEqual([label, expect.stringContaining('"not-allowed"')])
  const hidden = roles[who] !== 'operator' && (!owns(who, c) || expected === '404' || expected === 'nothing')
  if (row.names === undefined || !hidden || expected === '403' || (row.site && roles[who] !== 'clinic')) return
  const said = `${JSON.stringify(asked)} ${JSON.stringify(asking(who))}`
  const told = secretsOf(c, decodeURIComponent(said)).filter((secret) => answer.text.includes(secret))
  expect([label, told]).toEqual([label, []])
  if (row.knownDevice) return
  const none = absent(name)
  const other = await send(row, row.ask(none, c, asking(who), own), who)
  expect([label, comparable(answer, name)]).toEqual([label, comparable(other, none)])
  if (none.length === name.length && expected === '404') expect(answer.text.length).toBe(other.text.length)
}

/** Without a token, and with one that is nobody's. */
const checkStrangers = async (row: Row, c: Cell, built: boolean): Promise<void> => {
  const own = ids[c.n] as Ids
  const asked = row.ask(row.names?.(c, own) ?? '', c, asking('ops'), own)
  for (const token of [undefined, 'token-of-nobody']) {
    const answer = await send(row, asked, undefined, token)
    const expected = row.public ? (built ? row.operator : '501') : '401'
    expect([row.route, row.by, token, String(answer.status)]).toEqual([row.route, row.by, token, expected])
    if (!row.public) expect(answer.headers.get('www-authenticate')).toMatch(/^(Bearer|Basic )/)
  }
}

const table = tableOf(tasks)
const titled = table.map((row) => [row.by === undefined ? row.route : `${row.route} by ${row.by}`, row] as const)

describe('who may call, and of whose', () => {
  it.each(titled)('%s', async (_, row) => {
    const first = table.indexOf(row) % 4
    const apart = cells.filter((c) => c.n === first || c.n === 7 - first)
    const about = row.names === undefined ? cells.slice(0, 1) : row.few ? apart : cells
    const built = await isBuilt(row, about[0] as Cell)
    await Promise.all(
      Object.keys(roles).map(async (who) => {
        for (const c of about) await checkCell(row, who, c, built)
      }),
    )
    await checkStrangers(row, about[0] as Cell, built)
  })

  it('HEAD is told as GET is, without a body', async () => {
    const gets = table.filter((row) => method(row) === 'GET')
    await Promise.all(
      gets.flatMap((row, i) =>
        // an operator, who is told most, and one of the others in turn
        ['ops', Object.keys(roles)[i % 6] ?? ''].map(async (who) => {
          const c = cells[(i * 3) % 8] as Cell
          const own = ids[c.n] as Ids
          const { path } = row.ask(row.names?.(c, own) ?? '', c, asking(who), own)
          const [get, head] = [await service().as(who)('GET', path), await service().as(who)('HEAD', path)]
          expect([row.route, who, head.status, head.text]).toEqual([row.route, who, get.status, ''])
        }),
      ),
    )
  })

  it('OPTIONS tells anybody which methods an address takes, and nothing of what is there', async () => {
    for (const [i, row] of table.entries()) {
      const c = cells[i % 8] as Cell
      const own = ids[c.n] as Ids
      const name = row.names?.(c, own) ?? ''
      const ask = (of: string) => service().call('OPTIONS', row.ask(of, c, asking('ops'), own).path)
      const [answer, other] = [await ask(name), await ask(absent(name))]
      expect([row.route, answer.status, answer.text]).toEqual([row.route, 204, ''])
      expect(answer.headers.get('allow')?.split(', ')).toEqual(expect.arrayContaining([method(row), 'OPTIONS']))
      expect([row.route, comparable(answer, name)]).toEqual([row.route, comparable(other, absent(name))])
    }
  })

  it('has a row for every route of the running service, and no other', () => {
    const routes = service().routeList.map((route) => route.replace(/^HEAD /, 'GET '))
    const rows = new Set(table.map((row) => row.route))
    expect([...new Set(routes)].filter((route) => !rows.has(route))).toEqual([])
    expect([...rows].filter((route) => !routes.includes(route))).toEqual([])
    expect(routes.length).toBeGreaterThan(60)
  })

  it('reads every type that is announced', async () => {
    const { body } = await service().call<CapabilityStatement>('GET', '/fhir/metadata')
    const announced = (body.rest?.[0]?.resource ?? []).map((r) => r.type as string)
    const inTable = new Set(Object.keys(readable).map((name) => name.split('.')[1] ?? ''))
    expect(announced.filter((type) => !inTable.has(type) && !definitionTypes.includes(type))).toEqual([])
  })
})

const announcedTypes = async () =>
  ((await service().call<CapabilityStatement>('GET', '/fhir/metadata')).body.rest?.[0]?.resource ?? []).filter(
    (r) => (r.searchParam ?? []).length > 0 && !definitionTypes.includes(r.type),
  )

/** Everything that a search answers, page for page. */
const everything = async (
  who: string,
  path: string,
): Promise<{ readonly text: string; readonly found: readonly FhirResource[] }> => {
  const texts: string[] = []
  const resources: FhirResource[] = []
  for (let next: string | undefined = path; next !== undefined; ) {
    const answer: Answer<Bundle<FhirResource>> = await service().as(who)('GET', next)
    const { link = [], entry = [] } = answer.body
    expect([who, next, answer.status]).toEqual([who, next, 200])
    texts.push(answer.text)
    resources.push(...entry.flatMap((e) => (e.resource && e.search?.mode !== 'outcome' ? [e.resource] : [])))
    next = link.find((l) => l.relation === 'next')?.url.replace(/^.*?(?=\/fhir\/)/, '')
  }
  return { text: texts.join(), found: resources }
}

describe('a search without conditions', () => {
  const seekers = Object.keys(roles).filter((who) => who !== 'ops')

  it.each(seekers)('finds for %s nothing that they may not read, with all that may be included', async (who) => {
    for (const { type, searchInclude = [], searchRevInclude = [] } of await announcedTypes()) {
      const including = [
        ...searchInclude.map((i) => `_include=${i}`),
        ...searchRevInclude.map((i) => `_revinclude=${i}`),
      ]
      // all of them, as many at once as one search takes
      const groups = Array.from({ length: Math.max(1, Math.ceil(including.length / searchLimits.includes)) }, (_, i) =>
        including.slice(i * searchLimits.includes, (i + 1) * searchLimits.includes),
      )
      const answers: Awaited<ReturnType<typeof everything>>[] = []
      for (const group of groups)
        answers.push(await everything(who, `/fhir/${type}?${['_count=50', ...group].join('&')}`))
      const text = answers.map((a) => a.text).join()
      const resources = answers.flatMap((a) => a.found)
      for (const { resourceType, id } of new Map(resources.map((r) => [`${r.resourceType}/${r.id}`, r])).values())
        expect([type, resourceType, (await service().as(who)('GET', `/fhir/${resourceType}/${id}`)).status]).toEqual([
          type,
          resourceType,
          200,
        ])
      // of whoever is in no cell of theirs nothing is told, in no element of anything
      for (const c of cells.filter((x) => !owns(who, x)))
        expect([who, type, secretsOf(c, '').filter((secret) => text.includes(secret))]).toEqual([who, type, []])
    }
  })

  it('finds everything for an operator', async () => {
    const texts = await Promise.all(
      ['ServiceRequest', 'Patient', 'DeviceUseStatement', 'Task'].map((type) => everything('ops', `/fhir/${type}`)),
    )
    const text = texts.map((t) => t.text).join()
    for (const c of cells)
      for (const name of ['worn.Patient', 'worn.Task', 'back.DeviceUseStatement'])
        expect(text).toContain(idOf(ids[c.n] as Ids, name))
  })
})

describe('an order that is sent to two reading services', () => {
  it('gives each its own Task, and neither the other’s', async () => {
    const [ehr, ops] = [service().as('harbour-ehr'), service().as('ops')]
    const coding = ['46825001', '266706003'].map((code) => ({ system: 'http://snomed.info/sct', code }))
    const { patientId, orderId } = await placeOrder(ehr, 'BOTH', 'BOTH', { order: { code: { coding } } })
    const linked = await ops<Parameters>('POST', `/fhir/ServiceRequest/${orderId}/$link-device`, {
      body: linkParameters('BOTH', 'BOTH'),
    })
    const made = (linked.body.parameter ?? []).flatMap((p) =>
      p.resource?.resourceType === 'Task' ? [p.resource as Task] : [],
    )
    expect(made.map((t) => t.owner?.identifier?.value).sort()).toEqual(['lantern', 'pebble'])
    for (const who of services) {
      const [own, other] = [true, false].map((mine) => made.find((t) => (t.owner?.identifier?.value === who) === mine))
      const ask = service().as(who)
      expect((await ask('GET', `/fhir/ServiceRequest/${orderId}`)).status).toBe(200)
      expect((await ask('GET', `/fhir/Task/${own?.id}`)).status).toBe(200)
      expect((await ask('GET', `/fhir/Task/${other?.id}`)).status).toBe(404)
      for (const query of [
        `based-on=ServiceRequest/${orderId}`,
        `patient=Patient/${patientId}`,
        `_id=${own?.id},${other?.id}`,
      ])
        expect([who, query, await found(ask, 'Task', query)]).toEqual([who, query, [own?.id]])
      const theirs = `owner:identifier=https://daybind.example/reading-services|${services.find((s) => s !== who)}`
      expect(await found(ask, 'Task', theirs)).toEqual([])
    }
    for (const who of ['harbour-ehr', 'bay-3'])
      expect(await found(service().as(who), 'Task', `based-on=${orderId}`)).toHaveLength(2)
  })
})

describe('what cannot be told apart', () => {
  it('the 404 of one route is that of any other, whatever is behind it', async () => {
    const hidden = ids[cells.find((c) => !owns('bay-3', c))?.n ?? 0] as Ids
    const asks = ['worn.Patient', 'worn.ServiceRequest', 'worn.Task', 'worn.AuditEvent'].map(
      (name) => `/fhir/${name.split('.')[1]}/${idOf(hidden, name)}`,
    )
    const paths = [...asks, `/fhir/Patient/${nobody}`, '/fhir/Patient/x', '/nowhere']
    const answers = await Promise.all(paths.map((path) => service().as('bay-3')('GET', path)))
    expect(new Set(answers.map((a) => JSON.stringify(comparable(a, '<none>')))).size).toBe(1)
  })

  it('a captureKey is of who used it: another’s is free, and answers nothing of the first', async () => {
    const body = (serial: string): Parameters => ({
      resourceType: 'Parameters',
      parameter: [
        { name: 'scan', valueString: `(01)09520123456788(21)${serial}` },
        { name: 'receivedAt', valueDateTime: '2026-03-02T09:00:00Z' },
        { name: 'captureKey', valueString: 'one-key' },
      ],
    })
    const back = (who: string, serial: string) =>
      service().as(who)('POST', '/fhir/Device/$record-return', { body: body(serial) })
    const [first, second, again] = [
      await back('bay-3', 'KEY-A'),
      await back('lane-desk', 'KEY-B'),
      await back('bay-3', 'KEY-A'),
    ]
    expect([first.status, second.status, again.text]).toEqual([200, 200, first.text])
    expect(second.text).not.toBe(first.text)
    expect(refusalOf(await back('bay-3', 'KEY-C'))).toEqual({ status: 409, codes: ['key-reused'] })
  })
})
