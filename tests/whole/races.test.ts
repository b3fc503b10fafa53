/**
 * Calls that come at once. Each race names the outcomes that are allowed: what each side is answered, and what is
 * stored then, to the last gap. First both sides run one after the other in either order, which shows that the table
 * is right; then at once, held back by seeded milliseconds, again and again, on one service and on two that share a database.
 *
 * A wait for a lock is measured by the database. It may take a second, or on a machine that is busy with other things
 * eight times as long as one small transaction for each call, by a yardstick that is measured meanwhile and has nothing
 * of ours in it; and as much longer as the longest of those took, for a disk or a machine that stood still. So the limit
 * grows with what the machine gives away besides, and not with how long our locks are held.
 */
import type { Bundle, DeviceUseStatement, Task } from 'fhir/r4.js'
import { afterAll, beforeAll, describe, expect, test } from 'vitest'
import { startReadingService } from '../../src/testkit/reading-service.ts'
import { createTestDatabase } from '../support/database.ts'
import { startTestService, type TestService } from '../support/service.ts'
import {
  inDatabase,
  label,
  link,
  newPerson,
  newSerial,
  type Ordered,
  operate,
  orderBundle,
  out,
  type Person,
  patientNumbers,
  placers,
  type Said,
  sendOrder,
  sendPatient,
  twoIdentifiers,
  verdict,
} from './bedside.ts'
import { inconsistencies, storedStates, summary } from './consistency.ts'
import {
  inTurn,
  type LockWatch,
  luckOf,
  measuredBeside,
  outcomeOf,
  type Race,
  type Situation,
  side,
  together,
  watchLocks,
} from './races.ts'

const pebble = await startReadingService()
afterAll(() => pebble.stop())

const many = 16
/** Far more than it takes, for machines that are busy with other things. */
const patience = 400_000
/** Monday morning in Dublin; the cut-off is far. */
const day = '2035-05-07'
const at = (time: string): string => `${day}T${time}Z`
const sites = 'https://daybind.example/sites'

const settings = { pebble: pebble.base, roundMs: 200, deliveryDeadlineMs: 5_000 }

describe.each([
  ['one service', 1],
  ['two instances on one database', 2],
])('on %s', (_name, instances) => {
  let url: string
  let drop: () => Promise<void>
  let services: TestService[] = []
  let locks: LockWatch
  beforeAll(async () => {
    const database = await createTestDatabase()
    url = database.url
    drop = database.drop
    services = await Promise.all(
      Array.from({ length: instances }, () => startTestService({ ...settings, database: url })),
    )
    await inDatabase(
      url,
      `update clock set offset_by = timestamptz '${at('09:00:00')}' - clock_timestamp();
       update watched set since = '${at('09:00:00')}'`,
    )
    locks = await watchLocks(url)
  })
  afterAll(async () => {
    await locks.stop()
    await Promise.all(services.map((s) => s.close()))
    await drop()
  })

  let calls = 0
  /** The instances take turns. */
  const as = (caller: string) => (services[calls++ % instances] as TestService).as(caller)
  const ehr = () => as('harbour-ehr')
  const bay = () => as('bay-3')

  const order = () => sendOrder(ehr())
  const orders = (n: number) => Promise.all(Array.from({ length: n }, order))
  const tie = (o: Ordered, serial: string, said: Said = {}) =>
    link(bay(), o, { scan: label(serial), appliedAt: at('08:00:00'), ...said })
  const linkTo = async (o: Ordered, serial: string) => out<DeviceUseStatement>(await tie(o, serial), 'link').id ?? ''
  const end = (id: string, endedAt = at('08:30:00')) =>
    operate(bay(), `DeviceUseStatement/${id}/$end-link`, { endedAt, why: 'replaced' })
  const correct = (id: string, said: Said) =>
    operate(bay(), `DeviceUseStatement/${id}/$correct-link`, { because: 'The wrong one was scanned.', ...said })
  const giveBack = (serial: string, said: Said = {}) =>
    operate(bay(), 'Device/$record-return', { scan: label(serial), receivedAt: at('08:40:00'), ...said })
  const revise = (o: Ordered, more: object, person: Person = o.person) =>
    ehr()<Bundle>('POST', '/fhir', { body: orderBundle(person, o.placer.value ?? '', more) })
  const notApplied = (o: Ordered) =>
    operate(bay(), `ServiceRequest/${o.order}/$record-not-applied`, { why: 'declined' })
  const seen = (serial: string) =>
    operate(bay(), 'Device/$record-application', {
      scan: label(serial),
      appliedAt: at('08:00:00'),
      site: { system: sites, value: 'tern-harbour' },
      evidence: 'capture',
    })
  const accepted = (task: Task) =>
    as('pebble')('PUT', `/fhir/Task/${task.id}`, { body: { ...task, status: 'accepted' } })

  const named = (o: readonly Ordered[], serials: readonly string[]) => ({
    orders: Object.fromEntries(o.map((x, i) => ['abc'[i] ?? '', x.order])),
    recorders: Object.fromEntries(serials.map((s, i) => ['xyz'[i] ?? '', s])),
  })

  const tied = ['link a x active', 'order a active', 'recorder x on a', 'task a x requested']
  const free = ['order a active', 'recorder x on nobody']

  const crowds: readonly Race[] = [
    {
      name: `${many} callers tie one recorder to ${many} orders`,
      set: async () => {
        const [all, serial] = [await orders(many), newSerial()]
        return {
          sides: all.map((o) => side(() => tie(o, serial))),
          names: (said) => named([all[said.indexOf('200')] as Ordered], [serial]),
        }
      },
      allowed: {
        [`1 × 200 | ${many - 1} × 409 device-linked`]: [
          ...Array.from({ length: many - 1 }, () => 'gap device-on-two-patients x open'),
          ...tied,
        ],
      },
    },
    {
      name: `${many} callers tie ${many} recorders to one order`,
      set: async () => {
        const [o, serials] = [await order(), Array.from({ length: many }, newSerial)]
        return {
          sides: serials.map((s) => side(() => tie(o, s))),
          names: (said) => named([o], [serials[said.indexOf('200')] ?? '']),
        }
      },
      allowed: { [`1 × 200 | ${many - 1} × 409 order-linked`]: tied },
    },
    {
      name: `${many} callers tie one recorder to one order, all at one moment`,
      set: async () => {
        const [o, serial] = [await order(), newSerial()]
        return { sides: Array.from({ length: many }, () => side(() => tie(o, serial))), names: named([o], [serial]) }
      },
      allowed: { [`${many} × 200`]: tied },
    },
    {
      name: `${many} callers tie one recorder to one order with one capture key`,
      set: async () => {
        const [o, serial] = [await order(), newSerial()]
        const sides = Array.from({ length: many }, () => side(() => tie(o, serial, { captureKey: `key of ${serial}` })))
        return { sides, names: named([o], [serial]) }
      },
      allowed: { [`${many} × 200`]: tied },
    },
    {
      name: `${many} callers tie one recorder to one order, each at another moment`,
      set: async () => {
        const [o, serial] = [await order(), newSerial()]
        const sides = Array.from({ length: many }, (_, i) =>
          side(() => tie(o, serial, { appliedAt: at(`08:00:${String(i + 10)}`) })),
        )
        return { sides, names: named([o], [serial]) }
      },
      allowed: { [`1 × 200 | ${many - 1} × 409 order-linked`]: tied },
    },
    {
      name: `${many} callers create one order unless it exists`,
      set: async () => {
        const person = newPerson()
        const placer = `P-${person.number}`
        const { entry = [], ...bundle } = orderBundle(person, placer)
        const body = {
          ...bundle,
          entry: entry.map((e) => {
            const name = e.resource?.resourceType === 'Patient' ? [patientNumbers, person.number] : [placers, placer]
            const criterion = `identifier=${encodeURIComponent(name.join('|'))}`
            return { ...e, request: { method: 'POST', url: e.resource?.resourceType, ifNoneExist: criterion } }
          }),
        }
        const once = async () => {
          const answer = await ehr()<Bundle>('POST', '/fhir', { body })
          const made = answer.body.entry?.map((e) => e.response?.status.slice(0, 3)).join()
          return { ...answer, status: made === '201,201' ? 201 : made === '200,200' ? 200 : 500 }
        }
        return {
          sides: Array.from({ length: many }, () => side(once)),
          names: { orders: { a: placer }, recorders: {} },
        }
      },
      allowed: { [`${many - 1} × 200 | 1 × 201`]: ['order a active'] },
    },
  ]

  const pairs: readonly Race[] = [
    {
      name: 'two recorders for one order',
      set: async () => {
        const [o, x, y] = [await order(), newSerial(), newSerial()]
        return { sides: [side(() => tie(o, x)), side(() => tie(o, y))], names: named([o], [x, y]) }
      },
      allowed: {
        '200 | 409 order-linked': tied,
        '409 order-linked | 200': ['link a y active', 'order a active', 'recorder y on a', 'task a y requested'],
      },
    },
    {
      name: 'a swap in two calls, and the return of the first recorder',
      set: async () => {
        const [o, x, y] = [await order(), newSerial(), newSerial()]
        const id = await linkTo(o, x)
        const swap = side(
          () => end(id),
          () => tie(o, y, { appliedAt: at('08:31:00') }),
        )
        return { sides: [swap, side(() => giveBack(x))], names: named([o], [x, y]) }
      },
      allowed: {
        // the end was told before the return
        '200 + 200 | 200': [
          'link a x stopped replaced returned',
          'link a y active',
          'order a active',
          'recorder x on nobody',
          'recorder y on a',
          'return x of a',
          'stub a x registered',
          'task a x requested',
          'task a y requested',
        ],
        // the return ended the wear at 08:40, so nothing can have been put on at 08:31
        '409 link-ended + 409 order-linked | 200': [
          'link a x completed returned',
          ...free,
          'return x of a',
          'stub a x registered',
          'task a x requested',
        ],
      },
    },
    {
      name: 'a swap by correction, and the return of the wrong recorder',
      set: async () => {
        const [o, x, y] = [await order(), newSerial(), newSerial()]
        const id = await linkTo(o, x)
        const swap = side(() => correct(id, { scan: label(y) }))
        return { sides: [swap, side(() => giveBack(x))], names: named([o], [x, y]) }
      },
      allowed: {
        // with stubs that were withdrawn where the return was first, without any where it was last
        '200 | 200': [
          'gap return-without-patient x open',
          'link a x entered-in-error',
          'link a y active',
          'order a active',
          'recorder x on nobody',
          'recorder y on a',
          'return x of nobody',
          '(stub a x entered-in-error)',
          'task a x entered-in-error',
          'task a y requested',
        ],
      },
    },
    {
      name: 'a revised note, and a link',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        const sides = [side(() => revise(o, { note: 'Call the patient first.' })), side(() => tie(o, x))]
        return { sides, names: named([o], [x]) }
      },
      allowed: { '200 | 200': tied },
    },
    {
      name: 'an order that turns out to be of somebody else, and a link',
      set: async () => {
        const [o, other, x] = [await order(), newPerson(), newSerial()]
        return { sides: [side(() => revise(o, {}, other)), side(() => tie(o, x))], names: named([o], [x]) }
      },
      allowed: {
        '409 order-linked | 200': tied,
        '200 | 422 identifier-disagrees identifier-disagrees': ['order a active'],
      },
    },
    {
      name: 'a revocation, and a link',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        return { sides: [side(() => revise(o, { status: 'revoked' })), side(() => tie(o, x))], names: named([o], [x]) }
      },
      allowed: {
        '200 | 200': [
          'gap revoked-while-worn a x open',
          'link a x active',
          'order a revoked',
          'recorder x on a',
          'task a x cancelled',
        ],
        '200 | 422 order-not-linkable': ['order a revoked'],
      },
    },
    {
      name: 'a correction, and the acceptance of the work',
      set: async () => {
        const [o, x, y] = [await order(), newSerial(), newSerial()]
        const made = await tie(o, x)
        const [id, task] = [out<DeviceUseStatement>(made, 'link').id ?? '', out<Task>(made, 'task')]
        return {
          sides: [side(() => correct(id, { scan: label(y) })), side(() => accepted(task))],
          names: named([o], [x, y]),
        }
      },
      allowed: Object.fromEntries(
        ['200 | 200', '200 | 409 illegal-step'].map((said) => [
          said,
          [
            'link a x entered-in-error',
            'link a y active',
            'order a active',
            'recorder x on nobody',
            'recorder y on a',
            'task a x entered-in-error',
            'task a y requested',
          ],
        ]),
      ),
    },
    {
      name: 'evidence of an application, and its link',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        return { sides: [side(() => seen(x)), side(() => tie(o, x))], names: named([o], [x]) }
      },
      // a gap that opened for a moment is mended, and one that was never there is not
      allowed: { '200 | 200': [...tied, 'application x capture', '(gap no-link x mended: linked)'] },
    },
    {
      name: 'evidence of an application, and the revocation of the order that is worn',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        await linkTo(o, x)
        return { sides: [side(() => seen(x)), side(() => revise(o, { status: 'revoked' }))], names: named([o], [x]) }
      },
      allowed: {
        '200 | 200': [
          'application x capture',
          'gap revoked-while-worn a x open',
          'link a x active',
          'order a revoked',
          'recorder x on a',
          'task a x cancelled',
        ],
      },
    },
    {
      name: 'that no recorder was fitted, and a link',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        return { sides: [side(() => notApplied(o)), side(() => tie(o, x))], names: named([o], [x]) }
      },
      allowed: {
        '409 order-linked | 200': tied,
        '200 | 200': tied.map((l) => (l === 'order a active' ? 'order a active not applied: declined' : l)),
      },
    },
    {
      name: 'two corrections of one link',
      set: async () => {
        const [o, x, y, z] = [await order(), newSerial(), newSerial(), newSerial()]
        const id = await linkTo(o, x)
        const sides = [y, z].map((s) => side(() => correct(id, { scan: label(s) })))
        return { sides, names: named([o], [x, y, z]) }
      },
      allowed: Object.fromEntries(
        [
          ['200 | 409 link-ended', 'y'],
          ['409 link-ended | 200', 'z'],
        ].map(([said, won]) => [
          said,
          [
            'link a x entered-in-error',
            `link a ${won} active`,
            'order a active',
            'recorder x on nobody',
            `recorder ${won} on a`,
            'task a x entered-in-error',
            `task a ${won} requested`,
          ],
        ]),
      ),
    },
    {
      name: 'the correction of a link to another order, and a link of that order',
      set: async () => {
        const [[a, b], x, y] = [await orders(2), newSerial(), newSerial()]
        const [right, wrong] = [b as Ordered, a as Ordered]
        const id = await linkTo(wrong, x)
        const move = side(() => correct(id, { order: right.placer, ...twoIdentifiers(right.person) }))
        return { sides: [move, side(() => tie(right, y))], names: named([wrong, right], [x, y]) }
      },
      allowed: {
        '200 | 409 order-linked': [
          'link a x entered-in-error',
          'link b x active',
          'order a active',
          'order b active',
          'recorder x on b',
          'task a x entered-in-error',
          'task b x requested',
        ],
        '409 order-linked | 200': [
          ...tied,
          'link b y active',
          'order b active',
          'recorder y on b',
          'task b y requested',
        ],
      },
    },
    {
      name: 'two links that exchange their recorders',
      set: async () => {
        const [[a, b], x, y] = [await orders(2), newSerial(), newSerial()]
        const ids = [await linkTo(a as Ordered, x), await linkTo(b as Ordered, y)]
        const sides = [
          side(() => correct(ids[0] ?? '', { scan: label(y) })),
          side(() => correct(ids[1] ?? '', { scan: label(x) })),
        ]
        return { sides, names: named([a as Ordered, b as Ordered], [x, y]) }
      },
      allowed: {
        '409 device-linked | 409 device-linked': [
          ...tied,
          'link b y active',
          'order b active',
          'recorder y on b',
          'task b y requested',
        ],
      },
    },
    {
      name: 'a revocation, and the return',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        await linkTo(o, x)
        return {
          sides: [side(() => revise(o, { status: 'revoked' })), side(() => giveBack(x))],
          names: named([o], [x]),
        }
      },
      allowed: {
        // revoked first, it was worn for all that we knew; the return says that it had come off before
        '200 | 200': [
          '(gap revoked-while-worn a x mended: cancelled)',
          'link a x completed returned',
          'order a revoked',
          'recorder x on nobody',
          'return x of a',
          'stub a x registered',
          'task a x cancelled',
        ],
      },
    },
    {
      name: 'a return, and the link that it belongs to',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        return { sides: [side(() => giveBack(x)), side(() => tie(o, x))], names: named([o], [x]) }
      },
      allowed: {
        '200 | 200': [
          '(gap return-without-patient a x mended: linked)',
          'link a x completed returned',
          ...free,
          'return x of a',
          'stub a x registered',
          'task a x requested',
        ],
      },
    },
    {
      name: 'another birth date, and a link by the one of before',
      set: async () => {
        const [o, x] = [await order(), newSerial()]
        const born = { ...o.person, birthDate: '1931-02-03' }
        return { sides: [side(() => sendPatient(ehr(), born)), side(() => tie(o, x))], names: named([o], [x]) }
      },
      allowed: {
        // linked first, the change is a doubt about the link
        '200 | 200': [...tied, '(gap identity-doubt a x open)'],
        '200 | 422 identifier-disagrees': ['order a active'],
      },
    },
  ]

  /** In brackets: a trace that is there or not, by who came first. */
  const expectStored = (lines: readonly string[], allowed: readonly string[], outcome: string) => {
    const maybe = allowed.filter((l) => l.startsWith('(')).map((l) => l.slice(1, -1))
    const sure = allowed.filter((l) => !l.startsWith('('))
    expect([outcome, ...lines.filter((l) => !maybe.includes(l))]).toEqual([outcome, ...sure.toSorted()])
  }

  /** Holds what was answered and what is stored against the table, for races that are over. */
  const settle = async (race: Race, over: readonly (readonly [Situation, readonly string[]])[]): Promise<void> => {
    const stored = await storedStates(url)
    for (const [{ names }, answers] of over) {
      const outcome = outcomeOf(answers)
      expect(Object.keys(race.allowed)).toContain(outcome)
      const lines = summary(stored, typeof names === 'function' ? names(answers) : names)
      expectStored(lines, race.allowed[outcome] ?? [], outcome)
    }
  }

  /** One after another, in either order. */
  const serially = async (race: Race): Promise<void> => {
    const [ahead, back] = [await race.set(), await race.set()]
    const turns = ahead.sides.map((_, i) => i)
    await settle(race, [
      [ahead, await inTurn(ahead.sides, turns)],
      [back, await inTurn(back.sides, turns.toReversed())],
    ])
  }

  const run = async (race: Race, seed: number, rounds: number, abreast: number): Promise<void> => {
    const luck = luckOf(seed)
    await serially(race)
    for (let round = 0; round < rounds; round += 1) {
      const situations = await Promise.all(Array.from({ length: abreast }, () => race.set()))
      const answers: string[][] = []
      locks.longest()
      const yardstick = await measuredBeside(url, async () => {
        answers.push(...(await Promise.all(situations.map((s) => together(s.sides, luck, round % 3)))))
      })
      const calls = situations.reduce((sum, s) => sum + s.sides.length, 0)
      const allowed = Math.max(1_000, 8 * calls * yardstick.mean) + yardstick.longest
      expect(locks.longest()).toBeLessThan(allowed)
      await settle(
        race,
        situations.map((s, i) => [s, answers[i] ?? []] as const),
      )
    }
  }

  test.each(crowds.map((r) => [r.name, r] as const))('%s', (_title, race) => run(race, 4_001, 2, 1), patience)
  test.each(pairs.map((r) => [r.name, r] as const))('%s', (_title, race) => run(race, 4_002, 3, 6), patience)

  test(
    'a birth date that changed before the link became true is the one that the link is held against',
    async () => {
      const luck = luckOf(4_003)
      const alone = await order()
      const began = performance.now()
      await tie(alone, newSerial())
      // in the end held back by as long as a link takes here, so that either side comes first now and then
      const step = Math.max(1, (performance.now() - began) / 11)
      const pairs: Ordered[] = []
      const answers: string[][] = []
      for (let round = 0; round < 12; round += 1) {
        const some = await orders(5)
        const sides = some.map((o) => [
          side(() => sendPatient(ehr(), { ...o.person, birthDate: '1931-02-03' })),
          side(() => tie(o, newSerial())),
        ])
        pairs.push(...some)
        answers.push(...(await Promise.all(sides.map((s) => together(s, luck, round * step)))))
      }
      const linked = pairs.filter((_, i) => answers[i]?.[1] === '200').map((o) => o.order)
      expect(linked).not.toEqual([])
      const wrong = await inDatabase(
        url,
        `select l.order_id from journal l join journal o on o.kind = 'order' and o.id = l.order_id
         join journal p on p.kind = 'patient' and p.id = (o.state->>'patientId')::uuid
       where l.kind = 'link' and l.order_id = any($1::uuid[]) and p.recorded_at > o.recorded_at and p.recorded_at < l.recorded_at`,
        [linked],
      )
      expect(wrong).toEqual([])
    },
    patience,
  )

  test(
    'of eight revisions of one patient under one version one is taken, whatever numbers they give',
    async () => {
      for (let round = 0; round < 3; round += 1) {
        const o = await order()
        const answers = await Promise.all(
          Array.from({ length: 8 }, () => {
            const body = orderBundle(newPerson(), '').entry?.[0]?.resource
            return ehr()('PUT', `/fhir/Patient/${o.patient}`, { body, headers: { 'if-match': 'W/"1"' } })
          }),
        )
        expect(outcomeOf(answers.map(verdict))).toBe('1 × 200 | 7 × 412 version-conflict')
      }
    },
    patience,
  )

  test('nothing of what is stored contradicts the rest', async () => {
    expect(await inconsistencies(url, (services[0] as TestService).configuration)).toEqual([])
  })

  test('the database saw no deadlock', async () => {
    await Promise.all(services.splice(0).map((s) => s.close()))
    // a connection adds what it counted when it ends
    await expect
      .poll(() =>
        inDatabase(
          url,
          `select pid from pg_stat_activity where datname = current_database() and application_name = 'daybind'`,
        ),
      )
      .toEqual([])
    const [row] = await inDatabase<{ deadlocks: number }>(
      url,
      'select deadlocks::int from pg_stat_database where datname = current_database()',
    )
    expect(row?.deadlocks).toBe(0)
  })
})
