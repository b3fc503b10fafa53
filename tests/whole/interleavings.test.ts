/**
 * Any interleaving of the same facts gives the same state as some order of them one after another.
 *
 * Three to five commands about two orders, two recorders and their patients are drawn, run at once over the real
 * service, several copies of the same set side by side, and what every call was answered and every state row that came
 * of it, gaps and all, is written down without ids and stamps. Then the same commands run one after another on fresh
 * copies, until an order is found that gives the same to the last line.
 *
 * The serial runs go over the real service too: the loading of what a decision needs is half of what could go wrong,
 * and a store in memory would be a second truth to keep. It is affordable since the stamps tell in which order the
 * facts became true: that order is tried first, with the calls that left no fact in their place as asked, and of at
 * most 120 orders one or two are run. What an order gave is remembered for the copies that share it. A copy fails only
 * after every order was tried, so nothing is taken for granted from the stamps.
 *
 * Resources, search index and readers are left to the rebuild (`inconsistencies`), which derives them from these rows.
 */

import { setTimeout as pause } from 'node:timers/promises'
import fc from 'fast-check'
import { describe, expect, test } from 'vitest'
import type { State } from '../../src/model/states.ts'
import { canonical } from '../../src/model/tree.ts'
import { type Answer, useTestService } from '../support/service.ts'
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
  sendOrder,
  sendPatient,
  type Told,
  twoIdentifiers,
  verdict,
} from './bedside.ts'
import { inconsistencies } from './consistency.ts'
import { luckOf } from './races.ts'

type Which = 'a' | 'b'
type Recorder = 'x' | 'y'

type Command =
  | {
      readonly do: 'link'
      readonly order: Which
      readonly recorder: Recorder
      readonly at: string
      readonly until?: string
    }
  | { readonly do: 'end'; readonly why: 'removed' | 'replaced' }
  | { readonly do: 'correct'; readonly to: 'recorder y' | 'order b' | 'earlier' | 'nothing' }
  | { readonly do: 'return'; readonly recorder: Recorder; readonly at: string }
  | { readonly do: 'see'; readonly recorder: Recorder; readonly at: string }
  | {
      readonly do: 'revise'
      readonly order: Which
      readonly status: 'active' | 'on-hold' | 'revoked'
      readonly note?: string
    }
  | { readonly do: 'give to the other'; readonly order: Which }
  | { readonly do: 'rename'; readonly order: Which }
  | { readonly do: 'not applied'; readonly order: Which }

const order = fc.constantFrom<Which>('a', 'b')
const recorder = fc.constantFrom<Recorder>('x', 'y')
const moment = fc.constantFrom('08:00:00', '08:10:00', '08:20:00')

const command: fc.Arbitrary<Command> = fc.oneof(
  { weight: 4, arbitrary: fc.record({ do: fc.constant('link'), order, recorder, at: moment }) },
  fc.record({ do: fc.constant('link'), order, recorder, at: fc.constant('08:00:00'), until: fc.constant('08:05:00') }),
  fc.record({ do: fc.constant('end'), why: fc.constantFrom('removed', 'replaced') }),
  {
    weight: 2,
    arbitrary: fc.record({
      do: fc.constant('correct'),
      to: fc.constantFrom('recorder y', 'order b', 'earlier', 'nothing'),
    }),
  },
  {
    weight: 2,
    arbitrary: fc.record({ do: fc.constant('return'), recorder, at: fc.constantFrom('08:15:00', '08:40:00') }),
  },
  fc.record({ do: fc.constant('see'), recorder, at: moment }),
  {
    weight: 2,
    arbitrary: fc.record({ do: fc.constant('revise'), order, status: fc.constantFrom('active', 'on-hold', 'revoked') }),
  },
  fc.record({ do: fc.constant('revise'), order, status: fc.constant('active'), note: fc.constant('Call first.') }),
  fc.record({ do: fc.constant('give to the other'), order }),
  fc.record({ do: fc.constant('rename'), order }),
  fc.record({ do: fc.constant('not applied'), order }),
) as fc.Arbitrary<Command>

interface Scenario {
  /** Whether recorder x is on the patient of order a from the start. */
  readonly linked: boolean
  /** Both orders are of one patient. */
  readonly onePatient: boolean
  readonly commands: readonly Command[]
}

const scenario: fc.Arbitrary<Scenario> = fc.record({
  linked: fc.boolean(),
  onePatient: fc.boolean(),
  commands: fc.array(command, { minLength: 3, maxLength: 5 }),
})

const day = '2035-05-07'
const at = (time: string): string => `${day}T${time}Z`

const permutations = (n: number): number[][] =>
  n === 0
    ? [[]]
    : permutations(n - 1).flatMap((p) => Array.from({ length: n }, (_, i) => [...p.slice(0, i), n - 1, ...p.slice(i)]))

/** One copy of a scenario: its own people, orders and recorders. */
interface Copy {
  readonly orders: Readonly<Record<Which, Ordered>>
  readonly recorders: Readonly<Record<Recorder, string>>
  readonly linkId: string | undefined
}

interface Outcome {
  /** What each command was answered, in the order of the commands. */
  readonly answers: readonly string[]
  readonly rows: readonly string[]
}

const volatile = new Set([
  ...['id', 'procedureId', 'observationId', 'content', 'recordedAt', 'tiedAt', 'since', 'authoredAt', 'modifiedAt'],
  ...[
    'acceptedAt',
    'acceptDue',
    'idleSince',
    'revokedAt',
    'fact',
    'placer',
    'carrier',
    'humanReadable',
    'serialNumber',
    'about',
    'at',
  ],
])

describe('commands at once', () => {
  const service = useTestService()
  const ehr: ReturnType<ReturnType<typeof service>['as']> = (...asked) => service().as('harbour-ehr')(...asked)
  const bay: typeof ehr = (...asked) => service().as('bay-3')(...asked)

  const copyOf = async (s: Scenario): Promise<Copy> => {
    const person = newPerson()
    const a = await sendOrder(ehr, { person, placer: `${person.number}-a` })
    const other = s.onePatient ? person : newPerson()
    const b = await sendOrder(ehr, { person: other, placer: `${person.number}-b` })
    const recorders = { x: newSerial(), y: newSerial() }
    const made = s.linked ? await link(bay, a, { scan: label(recorders.x), appliedAt: at('08:00:00') }) : undefined
    return { orders: { a, b }, recorders, linkId: made && out(made, 'link').id }
  }

  const revise = (o: Ordered, person: Person, more: object) =>
    ehr('POST', '/fhir', { body: orderBundle(person, o.placer.value ?? '', more) })

  const perform = async (c: Command, copy: Copy): Promise<Answer<unknown> | undefined> => {
    const { orders, recorders, linkId } = copy
    switch (c.do) {
      case 'link':
        return link(bay, orders[c.order], {
          scan: label(recorders[c.recorder]),
          appliedAt: at(c.at),
          ...(c.until && { endedAt: at(c.until) }),
        })
      case 'end':
        return linkId === undefined
          ? undefined
          : operate(bay, `DeviceUseStatement/${linkId}/$end-link`, { endedAt: at('08:30:00'), why: c.why })
      case 'correct': {
        if (linkId === undefined) return undefined
        const right = {
          'recorder y': { scan: label(recorders.y) },
          'order b': { order: orders.b.placer, ...twoIdentifiers(orders.b.person) },
          earlier: { appliedAt: at('07:50:00') },
          nothing: {},
        }[c.to]
        return operate(bay, `DeviceUseStatement/${linkId}/$correct-link`, { because: 'Wrong.', ...right })
      }
      case 'return':
        return operate(bay, 'Device/$record-return', { scan: label(recorders[c.recorder]), receivedAt: at(c.at) })
      case 'see':
        return operate(bay, 'Device/$record-application', {
          scan: label(recorders[c.recorder]),
          appliedAt: at(c.at),
          site: { system: 'https://daybind.example/sites', value: 'tern-harbour' },
          evidence: 'capture',
        })
      case 'revise':
        return revise(orders[c.order], orders[c.order].person, { status: c.status, ...(c.note && { note: c.note }) })
      case 'give to the other':
        return revise(orders[c.order], orders[c.order === 'a' ? 'b' : 'a'].person, {})
      case 'rename':
        return sendPatient(ehr, { ...orders[c.order].person, birthDate: '1931-02-03' })
      case 'not applied':
        return operate(bay, `ServiceRequest/${orders[c.order].order}/$record-not-applied`, { why: 'declined' })
    }
  }

  const answerOf = (answer: Answer<unknown> | undefined): string =>
    answer === undefined ? 'nothing to do' : verdict(answer as Answer<Told>)

  /** Every state about a copy, without ids and stamps; what an id led to is told by its letter. */
  const rowsOf = async (copy: Copy): Promise<readonly string[]> => {
    const orders = [copy.orders.a.order, copy.orders.b.order]
    const states = await inDatabase<{ state: State }>(
      service().database,
      `with d as (select id, state from devices where serial_number = any($2))
       select state from orders where id = any($1::uuid[]) union all select state from d
       union all select state from links where order_id = any($1::uuid[])
       union all select state from applications where device_id in (select id from d)
       union all select state from returns where device_id in (select id from d)
       union all select state from tasks where order_id = any($1::uuid[])
       union all select state from stubs where order_id = any($1::uuid[])
       union all select state from gaps where order_id = any($1::uuid[]) or device_id in (select id from d)`,
      [orders, Object.values(copy.recorders)],
    )
    const letters = new Map<string, string>([
      [copy.orders.a.order, 'a'],
      [copy.orders.b.order, 'b'],
      [copy.orders.b.patient, 'patient of b'],
      [copy.orders.a.patient, 'patient of a'],
      ...states.flatMap(({ state: s }): [string, string][] =>
        s.kind === 'device' ? [[s.id, s.serialNumber === copy.recorders.x ? 'x' : 'y']] : [],
      ),
    ])
    for (const { state: s } of states)
      if (s.kind === 'link')
        letters.set(s.id, `link ${letters.get(s.orderId)} ${letters.get(s.deviceId)} ${s.appliedAt} ${s.status}`)
    const told = ({ state }: { state: State }): string =>
      canonical(
        JSON.parse(
          JSON.stringify(state, (key, value: unknown) =>
            volatile.has(key)
              ? typeof value === 'object'
                ? undefined
                : 'there'
              : (letters.get(value as string) ?? value),
          ),
        ),
      ) +
      (state.kind === 'device' ? letters.get(state.id) : '') +
      (state.kind === 'order' ? letters.get(state.id) : '')
    return states.map(told).toSorted()
  }

  /** The commands in the order in which their first facts were stamped; the others where they were asked. */
  const byStamp = async (requestIds: readonly string[]): Promise<readonly number[]> => {
    const stamps = await inDatabase<{ request_id: string; at: string }>(
      service().database,
      'select request_id, min(recorded_at)::text as at from journal where request_id = any($1) group by 1',
      [requestIds],
    )
    const stamp = new Map(stamps.map((s) => [s.request_id, s.at]))
    const made = requestIds.map((id, i) => ({ i, at: stamp.get(id) })).filter((c) => c.at !== undefined)
    const sorted = made.toSorted((p, q) => ((p.at ?? '') < (q.at ?? '') ? -1 : 1)).map((c) => c.i)
    return [...sorted, ...requestIds.keys().filter((i) => !stamp.has(requestIds[i] ?? ''))]
  }

  const serially = async (s: Scenario, order: readonly number[]): Promise<Outcome> => {
    const copy = await copyOf(s)
    const answers: string[] = []
    for (const i of order) answers[i] = answerOf(await perform(s.commands[i] as Command, copy))
    return { answers, rows: await rowsOf(copy) }
  }

  const atOnce = async (s: Scenario, luck: () => number) => {
    const copy = await copyOf(s)
    const answers = await Promise.all(
      s.commands.map(async (c) => {
        const wait = Math.floor(luck() * 4)
        if (wait > 0) await pause(wait)
        return perform(c, copy)
      }),
    )
    const first = await byStamp(answers.map((a) => a?.headers.get('x-request-id') ?? ''))
    return { outcome: { answers: answers.map(answerOf), rows: await rowsOf(copy) }, first }
  }

  const kept = (order: readonly number[], of: readonly number[]): number =>
    order.filter((x, i) => order.slice(i + 1).every((y) => of.indexOf(x) < of.indexOf(y))).length

  let tried = 0
  let checked = 0

  const explained = async (s: Scenario, luck: () => number, copies: number): Promise<void> => {
    const runs = await Promise.all(Array.from({ length: copies }, () => atOnce(s, luck)))
    const known = new Map<string, Outcome>()
    for (const { outcome, first } of runs) {
      const orders = permutations(s.commands.length).toSorted((p, q) => kept(q, first) - kept(p, first))
      let found = false
      for (const order of orders) {
        const before = known.get(order.join())
        if (before === undefined) tried += 1
        const serial = before ?? (await serially(s, order))
        known.set(order.join(), serial)
        found = canonical(serial) === canonical(outcome)
        if (found) break
      }
      checked += 1
      // the nearest order shows what differs
      if (!found) expect(outcome).toEqual(known.get(orders[0]?.join() ?? ''))
    }
  }

  test('give the same state as some order of them one after another', async () => {
    await inDatabase(
      service().database,
      `update clock set offset_by = timestamptz '${at('09:00:00')}' - clock_timestamp();
       update watched set since = '${at('09:00:00')}'`,
    )
    const holds = fc.asyncProperty(scenario, fc.integer(), (s, seed) => explained(s, luckOf(seed), 3))
    // these in any case, and more as far as half a minute goes
    await fc.assert(holds, { seed: 20_351, numRuns: 6, endOnFailure: true })
    const until = performance.now() + 30_000
    // fast-check's own limit leaves a run that is under way to itself: its calls would go on beside what follows here
    const inTime = fc.asyncProperty(scenario, fc.integer(), async (s, seed) => {
      if (performance.now() < until) await explained(s, luckOf(seed), 3)
    })
    await fc.assert(inTime, { seed: 20_352, numRuns: 120, endOnFailure: true })
    console.info(`${checked} interleavings, ${tried} serial runs`)
    expect(await inconsistencies(service().database, service().configuration)).toEqual([])
  }, 400_000)
})
