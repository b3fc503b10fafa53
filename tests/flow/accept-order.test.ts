import fc from 'fast-check'
import type { Bundle, FhirResource, Location, Patient, ServiceRequest } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { type Accepted, acceptEntries } from '../../src/flow/accept-order/accept-order.ts'
import {
  contentOf,
  type Incoming,
  identitiesOf,
  identityKey,
  isOlder,
  placerOf,
} from '../../src/flow/accept-order/incoming.ts'
import type { Known } from '../../src/flow/accept-order/place.ts'
import type { Context, Decision } from '../../src/flow/step.ts'
import type { Source } from '../../src/model/configuration.ts'
import { readDuration } from '../../src/model/moment.ts'
import { type Preconditions, readPreconditions } from '../../src/model/preconditions.ts'
import type { Checked, Problem } from '../../src/model/problems.ts'
import type { LinkState, OrderState, TaskState } from '../../src/model/states.ts'
import { codes, standard, systems } from '../../src/model/systems.ts'
import {
  accepted,
  at,
  context,
  ehr,
  ids,
  link,
  parties,
  pebble,
  problemsOf,
  refusedBy,
  task,
  tern,
  today,
  uuid,
} from '../support/fixtures.ts'

const numbers = 'https://harbour.example/patients'
const plac = { type: { coding: [{ system: standard.identifierType, code: 'PLAC' }] } }

const person = (over: Partial<Patient> = {}): Patient => ({
  resourceType: 'Patient',
  identifier: [{ system: numbers, value: 'TH-0042' }],
  ...over,
})

const orderBody = (over: Partial<ServiceRequest> = {}): ServiceRequest => ({
  resourceType: 'ServiceRequest',
  identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }],
  status: 'active',
  intent: 'order',
  code: { coding: [codes.ecgMonitoring] },
  subject: { reference: `Patient/${ids.patient}` },
  occurrenceDateTime: today,
  ...over,
})

/** Who pushes, where a test does not say otherwise. */
const asSource = (now?: string, over: Partial<Context> = {}): Context =>
  context(now, { caller: { id: ehr.id, role: 'source' }, ...over })

const alone = (resource: FhirResource, over: Partial<Incoming> = {}): Incoming => ({
  at: '',
  method: 'POST',
  resource,
  ...over,
})

/** Conditions as a header or an entry writes them. */
const sent = (headers: { ifMatch?: string; ifNoneMatch?: string }): Preconditions =>
  accepted(readPreconditions(headers, ''))

/** As entries of a transaction. */
const entries = (...list: (FhirResource | [FhirResource, Partial<Incoming>])[]): readonly Incoming[] =>
  list.map((item, i) => {
    const [resource, over] = Array.isArray(item) ? item : [item, {}]
    return { at: `Bundle.entry[${i}].resource`, method: 'POST', resource, ...over }
  })

const empty: Known = {
  byIdentity: new Map(),
  own: new Set(),
  stored: new Map(),
  locations: new Map(),
  patients: new Map(),
  companions: [],
  waiting: [],
  spokenOf: [],
  recorders: [],
  owners: new Map(),
  orders: [],
  stubs: [],
  devices: [],
  links: [],
  tasks: [],
}

/** What is known when the source's patient is stored as `ids.patient`. */
const withPatient: Known = {
  ...empty,
  byIdentity: new Map([[identityKey({ type: 'Patient', system: numbers, value: 'TH-0042' }), [ids.patient]]]),
  own: new Set([`Patient/${ids.patient}`]),
  stored: new Map([
    [
      `Patient/${ids.patient}`,
      {
        state: { kind: 'patient', id: ids.patient, source: ehr.id, content: { digest: 'p' } },
        version: 1,
        updated: at('2026-11-20T08:00:00Z'),
      },
    ],
  ]),
}

/** What is known after a decision: what the rim would have stored and given names. */
const knownAfter = (known: Known, list: readonly Incoming[], decision: Decision<readonly Accepted[]>): Known => {
  const stored = new Map(known.stored)
  const tasks = new Map(known.tasks.map((t) => [t.id, t]))
  for (const { state, content } of decision.changes) {
    if (state.kind === 'task') tasks.set(state.id, state)
    if (state.kind !== 'order' && state.kind !== 'patient' && state.kind !== 'kept') continue
    const type = state.kind === 'order' ? 'ServiceRequest' : state.kind === 'patient' ? 'Patient' : state.type
    const version = (stored.get(`${type}/${state.id}`)?.version ?? 0) + (content === undefined ? 0 : 1)
    stored.set(`${type}/${state.id}`, { state, version, updated: at('2026-11-20T08:00:00Z') })
  }
  const byIdentity = new Map(known.byIdentity)
  list.forEach((entry, i) => {
    const answer = decision.answer[i]
    if (answer === undefined || answer.outcome === 'matched') return
    for (const identity of identitiesOf(entry, ehr)) byIdentity.set(identityKey(identity), [answer.id])
  })
  return { ...known, stored, byIdentity, own: new Set(stored.keys()), tasks: [...tasks.values()] }
}

const bySource = asSource(undefined, { caller: { id: ehr.id, role: 'source' } })

const take = (list: readonly Incoming[], known: Known = withPatient, ctx: Context = bySource, source: Source = ehr) =>
  acceptEntries(list, source, known, ctx)

const outcomes = (checked: Checked<Decision<readonly Accepted[]>>) => accepted(checked).answer.map((a) => a.outcome)

const orderIn = (checked: Checked<Decision<readonly Accepted[]>>): OrderState => {
  const state = accepted(checked).changes.find((c) => c.state.kind === 'order')?.state
  if (state?.kind !== 'order') throw new Error('no order was stored')
  return state
}

const problemAt = (problems: readonly Problem[], code: string) => problems.find((p) => p.code === code)?.at

/** An order that is stored already, and what is known with it. */
const stored = (over: Partial<ServiceRequest> = {}, ctx = asSource()) => {
  const list = [alone(orderBody(over))]
  const decision = accepted(take(list, withPatient, ctx))
  return { known: knownAfter(withPatient, list, decision), id: decision.answer[0]?.id ?? '' }
}

describe('the placer number', () => {
  const other = { system: 'https://harbour.example/other', value: 'X' }
  const mine = { system: 'https://harbour.example/orders', value: 'P-1' }
  test.each([
    ['is the identifier of type PLAC', [mine, { ...other, ...plac }], ehr, other],
    ['is else the one in the system of the source', [other, mine], ehr, mine],
    ['is else the only one with a system', [other, { value: 'Y' }], ehr, other],
    ['may lack a system where its type is PLAC', [{ value: 'P-9', ...plac }], ehr, { ...mine, value: 'P-9' }],
    ['needs no configuration where there is one identifier', [other], { ...ehr, placer: '' }, other],
  ])('%s', (_, identifier, source, expected) => {
    expect(accepted(placerOf(alone(orderBody({ identifier })), source))).toEqual(expected)
  })

  test.each([
    ['there is no identifier', []],
    ['no identifier has a system', [{ value: 'P-1' }]],
    ['two have a system and none is marked', [other, { ...other, value: 'Y' }]],
    [
      'two are marked',
      [
        { ...mine, ...plac },
        { ...other, ...plac },
      ],
    ],
    ['two are in the system of the source', [mine, { ...mine, value: 'P-2' }]],
    ['the marked one has no value', [{ system: mine.system, ...plac }]],
  ])('cannot be told where %s', (_, identifier) => {
    const refused = take([alone(orderBody({ identifier }))])
    expect(refusedBy(refused)).toEqual(['no-placer-number'])
    expect(problemsOf(refused)[0]?.at).toEqual(['ServiceRequest.identifier'])
  })
})

describe('an order', () => {
  test('is created once and stored with what matters of it', () => {
    const decision = take([alone(orderBody())])
    expect(outcomes(decision)).toEqual(['created'])
    expect(orderIn(decision)).toMatchObject({
      source: 'harbour-ehr',
      placer: { system: 'https://harbour.example/orders', value: 'P-1' },
      site: 'tern-harbour',
      patientId: ids.patient,
      status: 'active',
      orderedDay: today,
      visitDay: today,
      wear: 'P14D',
      byHand: false,
      acceptedAt: at(`${today}T09:30:00Z`),
    })
    expect(accepted(decision).changes.map((c) => c.fact)).toEqual(['order-accepted'])
  })

  test('of a known placer number is a revision of the stored one', () => {
    const { known, id } = stored()
    const decision = take([alone(orderBody({ priority: 'urgent' }))], known)
    expect(accepted(decision).answer).toMatchObject([{ id, outcome: 'revised', version: 2 }])
  })

  test('of another source with the same placer number is another order', () => {
    const { id } = stored()
    const quay: Source = { ...ehr, id: 'quay-ehr' }
    const decision = take(
      [alone(orderBody())],
      withPatient,
      asSource(`${today}T09:30:00Z`, { newId: () => uuid(77) }),
      quay,
    )
    expect(accepted(decision).answer).toMatchObject([{ outcome: 'created', id: uuid(77) }])
    expect(uuid(77)).not.toBe(id)
  })

  test('keeps its id, source, moment of acceptance and origin when it is revised', () => {
    const clinic = context(`${today}T08:00:00Z`, { caller: { id: ehr.id, role: 'clinic' } })
    const { known, id } = stored({}, clinic)
    const source = asSource(`${today}T12:00:00Z`, { caller: { id: ehr.id, role: 'source' } })
    const revised = orderIn(take([alone(orderBody({ priority: 'stat' }))], known, source))
    expect(revised).toMatchObject({ id, source: ehr.id, acceptedAt: clinic.now, byHand: true })
  })

  test.each([
    ['is written by hand where a clinic writes it', 'clinic' as const, true],
    ['is not where a source sends it', 'source' as const, false],
  ])('%s, and is marked so', (_, role, byHand) => {
    const decision = accepted(
      take([alone(orderBody())], withPatient, asSource(undefined, { caller: { id: 'x', role } })),
    )
    const [change] = decision.changes
    expect(change?.state).toMatchObject({ byHand })
    expect(change?.content?.meta?.tag?.some((t) => t.code === 'by-hand') ?? false).toBe(byHand)
  })

  test.each<[string, string, string, Partial<OrderState>]>([
    ['put on hold', 'on-hold', 'order-held', { status: 'on-hold' }],
    ['revoked', 'revoked', 'order-revoked', { revokedAt: at(`${today}T11:00:00Z`) }],
    ['entered in error', 'entered-in-error', 'order-revoked', { revokedAt: at(`${today}T11:00:00Z`) }],
    ['completed', 'completed', 'order-completed', { status: 'completed' }],
  ])('that is %s is told as such', (_, status, fact, expected) => {
    const { known } = stored()
    const body = orderBody({ status: status as ServiceRequest['status'] })
    const decision = take([alone(body)], known, asSource(`${today}T11:00:00Z`))
    expect(accepted(decision).changes[0]?.fact).toBe(fact)
    expect(orderIn(decision)).toMatchObject(expected)
  })

  test('that stays revoked keeps the moment; one that is active again has none', () => {
    const { known } = stored()
    const revoked = [alone(orderBody({ status: 'revoked' }))]
    const first = knownAfter(known, revoked, accepted(take(revoked, known, asSource(`${today}T10:00:00Z`))))
    const again = take(
      [alone(orderBody({ status: 'revoked', priority: 'urgent' }))],
      first,
      asSource(`${today}T15:00:00Z`),
    )
    expect(orderIn(again).revokedAt).toBe(at(`${today}T10:00:00Z`))
    expect(accepted(again).changes[0]?.fact).toBe('order-revised')
    expect(orderIn(take([alone(orderBody())], first)).revokedAt).toBeUndefined()
  })

  test.each([
    [true, ['do-not-perform']],
    [false, []],
  ])('that says doNotPerform: %s', (doNotPerform, problems) => {
    const refused = take([alone(orderBody({ doNotPerform }))])
    expect(refusedBy(refused)).toEqual(problems)
    expect(problemsOf(refused).flatMap((p) => p.at)).toEqual(problems.map(() => 'ServiceRequest.doNotPerform'))
  })

  const other = { subject: { reference: `Patient/${uuid(50)}` } }
  test.each<[string, Partial<LinkState>, Partial<ServiceRequest>, readonly string[]]>([
    ['a recorder is on', {}, other, ['order-linked']],
    ['a recorder was on', { status: 'completed', endedAt: at(`${today}T20:00:00Z`) }, other, ['order-linked']],
    ['a recorder is on, and the patient stays', {}, { priority: 'stat' }, []],
    ['the link was an error', { status: 'entered-in-error' }, other, []],
    ['another order’s recorder is on', { orderId: uuid(20) }, other, []],
  ])('whose patient becomes another while %s', (_, over, change, problems) => {
    const { known, id } = stored()
    const linked: Known = {
      ...known,
      own: new Set([...known.own, `Patient/${uuid(50)}`]),
      links: [link({ orderId: id, ...over })],
    }
    expect(refusedBy(take([alone(orderBody(change))], linked))).toEqual(problems)
  })

  test('that moves to another site says which one it leaves', () => {
    const { known } = stored()
    const move = (value: string) =>
      accepted(
        take(
          [
            alone(
              orderBody({ priority: 'stat', locationReference: [{ identifier: { system: systems.sites, value } }] }),
            ),
          ],
          known,
        ),
      ).changes.map((c) => c.leaves)
    expect([move('quarry-lane'), move('tern-harbour')]).toEqual([['tern-harbour'], [undefined]])
  })

  test('whose placer number is another than the one under its address is refused', () => {
    const { known, id } = stored()
    const body = orderBody({ identifier: [{ system: 'https://harbour.example/orders', value: 'P-2' }] })
    expect(refusedBy(take([alone(body, { method: 'PUT', targetId: id })], known))).toEqual(['identity-taken'])
  })

  test.each<[string, Partial<Incoming>, string[]]>([
    ['a stale version', sent({ ifMatch: 'W/"7"' }), ['version-conflict']],
    ['several stale versions', sent({ ifMatch: 'W/"7", W/"8"' }), ['version-conflict']],
    ['a tag that is none of ours', sent({ ifMatch: '"x"' }), ['version-conflict']],
    ['If-None-Match of anything', sent({ ifNoneMatch: '*' }), ['already-stored']],
    ['If-None-Match of what is stored', sent({ ifNoneMatch: 'W/"1"' }), ['already-stored']],
    ['a stale version, and by POST', { method: 'POST', ...sent({ ifMatch: 'W/"7"' }) }, ['version-conflict']],
    [
      'a stale version, though If-None-Exist finds it',
      {
        method: 'POST',
        ifNoneExist: { system: 'https://harbour.example/orders', value: 'P-1' },
        ...sent({ ifMatch: 'W/"7"' }),
      },
      ['version-conflict'],
    ],
    [
      'a criterion that is not its placer number',
      { criterion: { system: numbers, value: 'P-1' } },
      ['wrong-criterion'],
    ],
  ])('is refused with %s', (_, over, problems) => {
    const { known } = stored()
    expect(refusedBy(take([alone(orderBody(), { method: 'PUT', ...over })], known))).toEqual(problems)
  })

  test('is not known under an address of nobody or of somebody else, whatever the conditions', () => {
    const put = { method: 'PUT', targetId: uuid(99) } as const
    expect(refusedBy(take([alone(orderBody(), put)]))).toEqual(['not-known'])
    expect(refusedBy(take([alone(orderBody(), { ...put, ...sent({ ifMatch: 'W/"1"' }) })]))).toEqual(['not-known'])
  })

  test('is refused with If-Match where nothing is stored yet, for nothing matches', () => {
    expect(refusedBy(take([alone(orderBody(), { method: 'PUT', ...sent({ ifMatch: 'W/"1"' }) })]))).toEqual([
      'version-conflict',
    ])
    expect(refusedBy(take([alone(orderBody(), sent({ ifMatch: '*' }))]))).toEqual(['version-conflict'])
  })

  test('is accepted with the version that is stored and its own placer number as criterion', () => {
    const { known, id } = stored()
    const criterion = { system: 'https://harbour.example/orders', value: 'P-1' }
    const put = (over: Partial<Incoming>) =>
      take([alone(orderBody({ priority: 'urgent' }), { method: 'PUT', criterion, targetId: id, ...over })], known)
    for (const ifMatch of ['W/"1"', '"1"', '*', 'W/"7", W/"1"', '"x",, W/"1" '])
      expect([ifMatch, outcomes(put(sent({ ifMatch })))]).toEqual([ifMatch, ['revised']])
    expect(outcomes(put(sent({ ifNoneMatch: 'W/"2"' })))).toEqual(['revised'])
  })
})

describe('the same content', () => {
  const say = (over: Partial<ServiceRequest>, known: Known) => take([alone(orderBody(over))], known)

  test.each<[string, Partial<ServiceRequest>]>([
    ['word for word', {}],
    ['with an id', { id: 'abc' }],
    [
      'with a narrative',
      { text: { status: 'generated', div: '<div xmlns="http://www.w3.org/1999/xhtml">An order</div>' } },
    ],
    [
      'with other housekeeping in meta',
      { meta: { versionId: '7', lastUpdated: '2026-11-25T07:00:00Z', source: '#a' } },
    ],
    [
      'with its elements in another order',
      Object.fromEntries(Object.entries(orderBody()).reverse()) as Partial<ServiceRequest>,
    ],
    ['with its patient named another way', { subject: { reference: `Patient?identifier=${numbers}|TH-0042` } }],
  ])('%s is no new version', (_, over) => {
    const { known, id } = stored()
    const decision = accepted(say(over, known))
    expect(decision.answer).toMatchObject([{ id, outcome: 'same', version: 1 }])
    expect(decision.changes.filter((c) => c.content !== undefined)).toEqual([])
  })

  test.each<[string, Partial<ServiceRequest>]>([
    ['a tag', { meta: { tag: [{ system: 'https://harbour.example/tags', code: 'x' }] } }],
    ['an element that we do not act on', { patientInstruction: 'Keep it dry' }],
    ['a code', { code: { coding: [codes.continuousEcg] } }],
  ])('with another value in %s is a revision', (_, over) => {
    expect(outcomes(say(over, stored().known))).toEqual(['revised'])
  })

  test('of a patient is no new version either', () => {
    const list = [alone(person())]
    const known = knownAfter(empty, list, accepted(take(list, empty)))
    expect(outcomes(take(list, known))).toEqual(['same'])
    expect(outcomes(take([alone(person({ birthDate: '1950-03-17' }))], known))).toEqual(['revised'])
  })
})

describe('older content', () => {
  const dated = (lastUpdated: string, priority: ServiceRequest['priority'], versionId?: string) =>
    alone(orderBody({ meta: { lastUpdated, ...(versionId && { versionId }) }, ...(priority && { priority }) }))

  test.each([
    ['an earlier lastUpdated', ['2026-11-25T08:00:00Z', undefined], ['2026-11-25T09:00:00Z', undefined], true],
    [
      'another offset for a later moment',
      ['2026-11-25T09:30:00+01:00', undefined],
      ['2026-11-25T08:00:00Z', undefined],
      false,
    ],
    ['a lower version of one moment', ['2026-11-25T08:00:00Z', '2'], ['2026-11-25T08:00:00Z', '10'], true],
    ['a lower version and a later moment', ['2026-11-25T09:00:00Z', '2'], ['2026-11-25T08:00:00Z', '10'], false],
    ['a lower version, undated', [undefined, '9'], [undefined, '10'], true],
    ['versions that are no numbers', [undefined, 'a'], [undefined, 'b'], false],
    ['no date where the stored one has one', [undefined, undefined], ['2026-11-25T08:00:00Z', '3'], false],
  ])('is told by the source itself: %s', (_, [datedAt, sourceVersion], [storedAt, storedVersion], older) => {
    const content = (d: string | undefined, v: string | undefined) => ({
      digest: '',
      ...(d !== undefined && { datedAt: d }),
      ...(v !== undefined && { sourceVersion: v }),
    })
    expect(isOlder(content(datedAt, sourceVersion), content(storedAt, storedVersion))).toBe(older)
  })

  test('never overwrites newer; the sender is warned', () => {
    const first = [dated('2026-11-25T09:00:00Z', 'urgent')]
    const known = knownAfter(withPatient, first, accepted(take(first)))
    const decision = accepted(take([dated('2026-11-25T08:00:00Z', 'stat')], known))
    expect(decision.answer).toMatchObject([{ outcome: 'older', version: 1 }])
    expect(decision.changes).toEqual([])
    expect(decision.warnings.map((w) => [w.code, w.severity])).toEqual([['stale-content', 'warning']])
  })

  test('does not revoke what is newer', () => {
    const first = [dated('2026-11-25T09:00:00Z', 'urgent')]
    const known = knownAfter(withPatient, first, accepted(take(first)))
    const late = alone(orderBody({ status: 'revoked', meta: { lastUpdated: '2026-11-25T08:59:59Z' } }))
    expect(outcomes(take([late], known))).toEqual(['older'])
  })

  test('is told apart from what the source has said again since', () => {
    // urgent at eight, stat at nine, urgent at ten; stat arrives last
    let known = withPatient
    const arrivals = [dated('2026-11-25T08:00:00Z', 'urgent'), dated('2026-11-25T10:00:00Z', 'urgent')]
    for (const entry of arrivals) known = knownAfter(known, [entry], accepted(take([entry], known)))
    expect(outcomes(take([dated('2026-11-25T09:00:00Z', 'stat')], known))).toEqual(['older'])
  })

  test('whatever the order of arrival, what the source said last is what stays', () => {
    const priorities = ['routine', 'urgent'] as const
    const said = fc.array(fc.constantFrom(...priorities), { minLength: 1, maxLength: 5 })
    const shuffled = said.chain((list) =>
      fc.shuffledSubarray(
        list.map((priority, hour) => ({ priority, lastUpdated: `2026-11-25T0${hour}:00:00Z` })),
        { minLength: list.length, maxLength: list.length },
      ),
    )
    fc.assert(
      fc.property(shuffled, (arrivals) => {
        let known = withPatient
        for (const { priority, lastUpdated } of arrivals) {
          const list = [dated(lastUpdated, priority)]
          known = knownAfter(known, list, accepted(take(list, known)))
        }
        const [final] = [...known.stored.values()].filter((s) => s.state.kind === 'order')
        const last = arrivals.reduce((a, b) => (a.lastUpdated > b.lastUpdated ? a : b))
        const expected = contentOf(orderBody({ priority: last.priority }), orderBody())
        expect(final?.state.content.digest).toBe(expected.digest)
      }),
      { numRuns: 60 },
    )
  })
})

describe('If-None-Exist', () => {
  const asked = { ifNoneExist: { system: numbers, value: 'TH-0042' } }

  test('that finds one takes it and ignores the body', () => {
    const decision = accepted(take([alone(person({ birthDate: '2000-01-01' }), asked)]))
    expect(decision).toMatchObject({ changes: [], answer: [{ id: ids.patient, outcome: 'matched', version: 1 }] })
  })

  test('that finds one ignores the names in the body too: they may be somebody else’s', () => {
    const other = { system: numbers, value: 'TH-0099' }
    const known: Known = {
      ...withPatient,
      byIdentity: new Map([...withPatient.byIdentity, [identityKey({ type: 'Patient', ...other }), [uuid(50)]]]),
      own: new Set([...withPatient.own, `Patient/${uuid(50)}`]),
    }
    const body = person({ identifier: [{ system: numbers, value: 'TH-0042' }, other] })
    const order = orderBody({ subject: { reference: `Patient?identifier=${numbers}|TH-0099` } })
    expect(orderIn(take(entries([body, asked], order), known)).patientId).toBe(uuid(50))
  })

  test('that finds none creates', () => {
    expect(outcomes(take([alone(person(), asked)], empty))).toEqual(['created'])
  })

  test('that is not in the body is refused: the next time it would find nothing again', () => {
    const other = { ifNoneExist: { system: numbers, value: 'TH-0043' } }
    expect(refusedBy(take([alone(person(), other)], empty))).toEqual(['wrong-criterion'])
  })

  test('that finds several is refused', () => {
    const key = identityKey({ type: 'Patient', system: numbers, value: 'TH-0042' })
    const known = { ...withPatient, byIdentity: new Map([[key, [ids.patient, uuid(50)]]]) }
    expect(refusedBy(take([alone(person(), asked)], known))).toEqual(['too-many-matches'])
  })

  test('for an order that exists leaves it as it is, even where the body could not be read', () => {
    const { known } = stored()
    const ifNoneExist = { system: 'https://harbour.example/orders', value: 'P-1' }
    expect(outcomes(take([alone(orderBody({ identifier: [] }), { ifNoneExist })], known))).toEqual(['matched'])
  })
})

describe('the site of an order', () => {
  const at = (value: string, system: string = systems.sites) => [{ identifier: { system, value } }]
  const noSite: Source = { id: 'quay-ehr', takes: ehr.takes }
  const siteFor = (order: Partial<ServiceRequest>, source = ehr, ctx = asSource()) =>
    take([alone(orderBody(order))], withPatient, ctx, source)
  const oneSite = asSource(undefined, { parties: { ...parties, sites: [tern] } })

  test.each<[string, ReturnType<typeof siteFor>, string]>([
    ['is the one that it names', siteFor({ locationReference: at('quarry-lane') }), 'quarry-lane'],
    ['is else that of the source', siteFor({}), 'tern-harbour'],
    ['is else the only one there is', siteFor({}, noSite, oneSite), 'tern-harbour'],
    [
      'is not looked for in systems that are no site’s',
      siteFor({ locationReference: at('ward-7', 'https://harbour.example/wards') }),
      'tern-harbour',
    ],
    [
      'is found behind a ward that is named first',
      siteFor({ locationReference: [...at('ward-7', 'https://harbour.example/wards'), ...at('quarry-lane')] }),
      'quarry-lane',
    ],
  ])('%s', (_, decision, site) => {
    expect(orderIn(decision).site).toBe(site)
  })

  test.each<[string, ReturnType<typeof siteFor>, string]>([
    ['a site that is not configured', siteFor({ locationReference: at('north-pier') }), 'unknown-site'],
    ['none where there are several', siteFor({}, noSite), 'no-site'],
    [
      'one at which the caller does not work',
      siteFor(
        { locationReference: at('quarry-lane') },
        ehr,
        asSource(undefined, { caller: { id: 'bay-3', role: 'clinic', sites: ['tern-harbour'] } }),
      ),
      'unknown-site',
    ],
  ])('is refused where it is %s', (_, refused, code) => {
    expect(refusedBy(refused)).toEqual([code])
  })

  test('may be named through a Location of the same Bundle, but not through one that is ignored', () => {
    const place: Location = {
      resourceType: 'Location',
      identifier: [{ system: systems.sites, value: 'quarry-lane' }],
    }
    const fullUrl = 'urn:uuid:7f0c1f5e-0000-4000-8000-000000000001'
    const order = orderBody({ locationReference: [{ reference: fullUrl }] })
    expect(orderIn(take(entries([place, { fullUrl }], order))).site).toBe('quarry-lane')

    const key = identityKey({ type: 'Location', system: 'urn:x', value: '1' })
    const there: Location = { resourceType: 'Location', identifier: [{ system: systems.sites, value: 'tern-harbour' }] }
    const known = {
      ...withPatient,
      byIdentity: new Map([...withPatient.byIdentity, [key, [uuid(60)]]]),
      locations: new Map([[`Location/${uuid(60)}`, there]]),
    }
    const ignored: [Location, Partial<Incoming>] = [place, { fullUrl, ifNoneExist: { system: 'urn:x', value: '1' } }]
    expect(orderIn(take(entries(ignored, order), known)).site).toBe('tern-harbour')
  })
})

describe('the visit and the wear', () => {
  const weeks = (value: number, code: string) => ({ repeat: { boundsDuration: { value, code } } })
  test.each<[string, Partial<ServiceRequest>, string | undefined, string]>([
    ['a date is the local day', { occurrenceDateTime: '2026-11-26' }, '2026-11-26', 'P14D'],
    // 03:00 in Dublin is 22:00 of the day before in New York
    ['a moment lies in a local day', { occurrenceDateTime: '2026-11-26T03:00:00Z' }, '2026-11-25', 'P14D'],
    [
      'a period has a day and a length',
      { occurrencePeriod: { start: '2026-11-25T14:00:00Z', end: '2026-11-28T14:00:00Z' } },
      '2026-11-25',
      'PT72H',
    ],
    [
      'a timing has them as well',
      { occurrenceTiming: { repeat: { boundsPeriod: { start: '2026-11-25', end: '2026-12-02' } } } },
      '2026-11-25',
      'PT168H',
    ],
    ['a duration has no day', { occurrenceTiming: weeks(2, 'wk') }, undefined, 'P14D'],
    ['a duration in days', { occurrenceTiming: weeks(3, 'd') }, undefined, 'P3D'],
    ['a duration in hours', { occurrenceTiming: weeks(36, 'h') }, undefined, 'PT129600S'],
    ['half days', { occurrenceTiming: weeks(1.5, 'd') }, undefined, 'PT129600S'],
    // UCUM: mo is mo_j, a twelfth of 365.25 days (https://ucum.org/ucum)
    ['a month is a twelfth of 365.25 days', { occurrenceTiming: weeks(1, 'mo') }, undefined, 'PT2629800S'],
    ['a unit that is not one of time', { occurrenceTiming: weeks(3, 'kg') }, undefined, 'P14D'],
    ['a period that has only an end', { occurrencePeriod: { end: '2026-11-28' } }, undefined, 'P14D'],
    ['nothing', {}, undefined, 'P14D'],
  ])('%s', (_, occurrence, visitDay, wear) => {
    const { occurrenceDateTime: _default, ...body } = orderBody()
    const locationReference = [{ identifier: { system: systems.sites, value: 'quarry-lane' } }]
    const state = orderIn(take([alone({ ...body, ...occurrence, locationReference })]))
    expect([state.visitDay, state.orderedDay, state.wear]).toEqual([visitDay, visitDay, wear])
    expect(readDuration(state.wear, '').ok).toBe(true)
  })

  test('a new day in the order sets aside what people agreed about the old one; other news does not', () => {
    const { known, id } = stored()
    const before = known.stored.get(`ServiceRequest/${id}`)
    if (before?.state.kind !== 'order') throw new Error('stored')
    const notApplied = { reason: 'rescheduled', recordedAt: at(`${today}T10:00:00Z`), newDate: '2026-11-27' }
    const moved = { ...before.state, visitDay: '2026-11-27', notApplied }
    const agreed = {
      ...known,
      stored: new Map([...known.stored, [`ServiceRequest/${id}`, { ...before, state: moved }]]),
    }
    expect(orderIn(take([alone(orderBody({ priority: 'stat' }))], agreed))).toMatchObject({
      visitDay: '2026-11-27',
      notApplied,
    })
    const news = orderIn(take([alone(orderBody({ occurrenceDateTime: '2026-12-01' }))], agreed))
    expect([news.visitDay, news.orderedDay, news.notApplied]).toEqual(['2026-12-01', '2026-12-01', undefined])
  })
})

describe('a code', () => {
  test('that no rule of the source takes is refused with what would be taken', () => {
    const refused = take([alone(orderBody({ code: { coding: [codes.rhythmStudy] } }))])
    expect(refusedBy(refused)).toEqual(['code-not-taken'])
    expect(problemsOf(refused)[0]).toMatchObject({
      at: ['ServiceRequest.code'],
      found: `${codes.rhythmStudy.system}|${codes.rhythmStudy.code}`,
      expected: 'http://snomed.info/sct|46825001 or http://snomed.info/sct|266706003',
    })
  })

  test.each<[string, ServiceRequest['code'], boolean]>([
    ['among others is taken', { coding: [codes.rhythmStudy, codes.continuousEcg] }, true],
    ['of another system is not', { coding: [{ system: 'https://harbour.example/codes', code: '46825001' }] }, false],
    ['without a system is not', { coding: [{ code: '46825001' }] }, false],
    ['as words alone is not', { text: 'Holter' }, false],
  ])('%s', (_, code, taken) => {
    expect(take([alone(orderBody(code ? { code } : {}))]).ok).toBe(taken)
  })
})

describe('a reference', () => {
  const subject = (reference: string, known = withPatient) =>
    take([alone(orderBody({ subject: { reference } }))], known)
  const url = 'https://harbour.example/fhir/Patient/77'
  const byUrl: Known = {
    ...withPatient,
    byIdentity: new Map([
      ...withPatient.byIdentity,
      [identityKey({ type: 'Patient', system: 'urn:ietf:rfc:3986', value: url }), [ids.patient]],
    ]),
  }

  test.each<[string, ReturnType<typeof take>]>([
    ['an id of ours', subject(`Patient/${ids.patient}`)],
    ['a version of it', subject(`Patient/${ids.patient}/_history/1`)],
    ['a criterion', subject(`Patient?identifier=${numbers}|TH-0042`)],
    ['a percent-encoded criterion', subject(`Patient?identifier=${encodeURIComponent(`${numbers}|TH-0042`)}`)],
    ['an address below the source’s fhir', subject(url, byUrl)],
    ['a version of it', subject(`${url}/_history/3`, byUrl)],
    [
      'a type and an identifier',
      take([alone(orderBody({ subject: { type: 'Patient', identifier: { system: numbers, value: 'TH-0042' } } }))]),
    ],
    [
      'an identifier alone, for the subject is a patient',
      take([alone(orderBody({ subject: { identifier: { system: numbers, value: 'TH-0042' } } }))]),
    ],
  ])('to the patient may be %s', (_, decision) => {
    expect(orderIn(decision).patientId).toBe(ids.patient)
    const stored = accepted(decision).changes[0]?.content as ServiceRequest
    expect(stored.subject.reference).toBe(`Patient/${ids.patient}`)
  })

  test('may lead to an entry of the same Bundle, whatever their order', () => {
    const fullUrl = 'urn:uuid:7f0c1f5e-0000-4000-8000-000000000001'
    const order = orderBody({ subject: { reference: fullUrl } })
    const decision = accepted(take(entries(order, [person(), { fullUrl }]), empty))
    const [first, second] = decision.answer
    expect([first?.type, second?.type]).toEqual(['ServiceRequest', 'Patient'])
    // what is referred to is stored first
    expect(decision.changes.map((c) => c.fact)).toEqual(['patient-received', 'order-accepted'])
    expect(decision.changes[1]?.state).toMatchObject({ patientId: second?.id })
  })

  test('may lead to a name that another entry of the same Bundle brings', () => {
    const order = orderBody({ subject: { reference: `Patient?identifier=${numbers}|TH-0042` } })
    const decision = accepted(take(entries(person(), order), empty))
    expect(decision.changes[1]?.state).toMatchObject({ patientId: decision.answer[0]?.id })
  })

  test.each<[string, string]>([
    ['a relative id of its own server', 'Patient/77'],
    ['a relative id of ours that the caller may not see', `Patient/${uuid(51)}`],
    ['an address of its own server that is not known', 'https://harbour.example/fhir/Patient/78'],
    ['an address of another server', 'https://quay.example/fhir/Patient/77'],
    ['an address that only begins like its own', 'https://harbour.example/fhirpatient/Patient/77'],
    ['a urn of no entry', 'urn:uuid:7f0c1f5e-0000-4000-8000-00000000000f'],
    ['a criterion that nothing meets', `Patient?identifier=${numbers}|TH-0043`],
    ['a criterion without a system bar', 'Patient?identifier=TH-0042'],
    ['a criterion by name', 'Patient?family=Sandling'],
  ])('that is %s is refused', (_, reference) => {
    const refused = subject(reference)
    expect(refusedBy(refused)).toContain('reference-not-found')
    expect(problemAt(problemsOf(refused), 'reference-not-found')).toEqual(['ServiceRequest.subject.reference'])
  })

  test('by a name that two have is refused, never guessed', () => {
    const key = identityKey({ type: 'Patient', system: numbers, value: 'TH-0042' })
    const known = { ...withPatient, byIdentity: new Map([[key, [ids.patient, uuid(50)]]]) }
    expect(refusedBy(subject(`Patient?identifier=${numbers}|TH-0042`, known))).toContain('multiple-matches')
  })

  test.each<[string, Partial<ServiceRequest>]>([
    ['what is contained', { contained: [{ resourceType: 'Practitioner', id: 'a' }], requester: { reference: '#a' } }],
    [
      'a name that is not known to us',
      { requester: { type: 'Practitioner', identifier: { system: 'https://harbour.example/staff', value: '7' } } },
    ],
    ['words', { requester: { display: 'Ward 7' } }],
  ])('to %s stays as it is', (_, over) => {
    const stored = accepted(take([alone(orderBody(over))])).changes[0]?.content as ServiceRequest
    expect(stored.requester).toEqual(over.requester)
  })

  test.each<[string, ServiceRequest['subject'], string]>([
    ['to somebody by words alone', { display: 'Anna Sandling' }, 'no-patient'],
    ['to a name that nobody has', { type: 'Patient', identifier: { system: numbers, value: 'TH-9' } }, 'no-patient'],
    ['to a group', { reference: `Group/${uuid(52)}` }, 'wrong-reference'],
  ])('%s is no patient', (_, who, code) => {
    const known = { ...withPatient, own: new Set([...withPatient.own, `Group/${uuid(52)}`]) }
    expect(refusedBy(take([alone(orderBody({ subject: who }))], known))).toEqual([code])
  })
})

describe('a transaction', () => {
  test('is answered in the order of its entries', () => {
    const organization: FhirResource = {
      resourceType: 'Organization',
      identifier: [{ system: 'https://harbour.example/organizations', value: 'LH' }],
    }
    const encounter: FhirResource = {
      resourceType: 'Encounter',
      status: 'planned',
      class: { code: 'AMB' },
      basedOn: [{ reference: 'ServiceRequest?identifier=https://harbour.example/orders|P-1' }],
    }
    const decision = accepted(take(entries(encounter, orderBody(), organization, person())))
    expect(decision.answer.map((a) => [a.type, a.outcome])).toEqual([
      ['Encounter', 'created'],
      ['ServiceRequest', 'created'],
      ['Organization', 'created'],
      ['Patient', 'revised'],
    ])
    const kept = decision.changes.map((c) => c.state).find((s) => s.kind === 'kept' && s.type === 'Encounter')
    expect(kept).toMatchObject({ orderId: decision.answer[1]?.id })
  })

  test.each<[string, readonly Incoming[]]>([
    ['two orders with one placer number', entries(orderBody(), orderBody({ priority: 'stat' }))],
    [
      'two patients who share an identifier',
      entries(
        person(),
        person({
          identifier: [
            { system: 'https://lowwater.example/national', value: 'L-1' },
            { system: numbers, value: 'TH-0042' },
          ],
        }),
      ),
    ],
    [
      'one patient as new and as found',
      entries([person(), { ifNoneExist: { system: numbers, value: 'TH-0042' } }], person({ birthDate: '1950-03-17' })),
    ],
  ])('with %s is refused: one identity, one entry', (_, list) => {
    const refused = take(list)
    expect(refusedBy(refused)).toEqual(['same-identity-twice'])
    expect(problemsOf(refused)[0]?.at).toEqual([
      'Bundle.entry[1].resource.identifier',
      `${list[1]?.resource.resourceType}.identifier`,
    ])
  })

  test('may hold several resources that have no identity', () => {
    const condition: FhirResource = { resourceType: 'Condition', subject: { reference: `Patient/${ids.patient}` } }
    expect(outcomes(take(entries(condition, condition)))).toEqual(['created', 'created'])
  })

  test('that brings an identifier of two stored patients joins nobody', () => {
    const national = { system: 'https://lowwater.example/national', value: 'L-1' }
    const known = {
      ...withPatient,
      byIdentity: new Map([...withPatient.byIdentity, [identityKey({ type: 'Patient', ...national }), [uuid(50)]]]),
    }
    const body = person({ identifier: [{ system: numbers, value: 'TH-0042' }, national] })
    expect(refusedBy(take(entries(body), known))).toEqual(['identity-taken'])
  })

  test('is refused as a whole, with everything that is wrong in every entry at once', () => {
    const strange: Bundle = { resourceType: 'Bundle', type: 'collection' }
    const list = entries(
      strange,
      person({ identifier: [{ value: 'TH-0042' }] }),
      orderBody({
        code: { text: 'Holter' },
        subject: { reference: 'Patient/77' },
        locationReference: [{ identifier: { system: systems.sites, value: 'north-pier' } }],
      }),
      orderBody({ identifier: [] }),
    )
    const problems = problemsOf(take(list))
    expect(problems.map((p) => [p.code, p.at[0]])).toEqual([
      ['type-not-taken', 'Bundle.entry[0].resource'],
      ['no-patient-identifier', 'Bundle.entry[1].resource.identifier'],
      ['no-placer-number', 'Bundle.entry[3].resource.identifier'],
      ['reference-not-found', 'Bundle.entry[2].resource.subject.reference'],
      ['code-not-taken', 'Bundle.entry[2].resource.code'],
      ['unknown-site', 'Bundle.entry[2].resource.locationReference[0].identifier'],
    ])
    expect(problems[4]?.at).toEqual(['Bundle.entry[2].resource.code', 'ServiceRequest.code'])
  })
})

describe('an order that was forwarded', () => {
  const revise = (over: Partial<ServiceRequest>, tasks: readonly TaskState[]) => {
    const { known, id } = stored()
    const mine = tasks.map((t) => ({ ...t, orderId: id }))
    return accepted(take([alone(orderBody(over))], { ...known, links: [link({ orderId: id })], tasks: mine }))
  }

  test('goes to the same reading services when it is revised, once to each', () => {
    const decision = revise({ priority: 'stat' }, [
      task(),
      task({ id: uuid(41), linkId: uuid(40), status: 'completed' }),
    ])
    expect(decision.forward).toMatchObject([{ readingService: pebble.id }])
    expect(decision.changes).toHaveLength(1)
  })

  test('takes back the work that has not begun when it is revoked', () => {
    const decision = revise({ status: 'revoked' }, [task()])
    expect(decision.changes.map((c) => c.fact)).toEqual(['order-revoked', 'task-cancelled'])
    expect(decision.forward).toHaveLength(1)
  })

  describe('and revoked, and is active again', () => {
    const back = (tasks: readonly TaskState[], over: Partial<LinkState> = {}) => {
      const { known, id } = stored({ status: 'revoked' })
      const mine = tasks.map((t) => ({ ...t, orderId: id }))
      const links = [link({ orderId: id, ...over })]
      return accepted(take([alone(orderBody())], { ...known, links, tasks: mine }))
    }
    const asked = (decision: ReturnType<typeof back>) =>
      decision.changes.flatMap(({ state: s }) => (s.kind === 'task' ? [[s.readingService, s.asks, s.status]] : []))

    test('asks again for what was cancelled, by a new Task, and goes out', () => {
      const decision = back([task({ status: 'cancelled' })])
      expect(asked(decision)).toEqual([[pebble.id, 'fulfill', 'requested']])
      expect(decision.forward).toMatchObject([{ readingService: pebble.id }])
      const made = decision.changes.find((c) => c.state.kind === 'task')?.state
      expect(made).toMatchObject({ linkId: ids.link })
      expect(made?.id).not.toBe(ids.task)
    })

    test.each<[string, readonly TaskState[], Partial<LinkState>]>([
      ['whose work goes on', [task({ status: 'in-progress' })], {}],
      ['whose work is done', [task({ status: 'completed' })], {}],
      ['whose link was an error', [task({ status: 'cancelled' })], { status: 'entered-in-error' }],
    ])('asks for nothing where it is one %s', (_, tasks, over) => {
      expect(asked(back(tasks, over))).toEqual([])
    })
  })

  test('goes nowhere when nobody got it, or when it says the same', () => {
    expect(revise({ priority: 'stat' }, []).forward).toEqual([])
    expect(revise({}, [task()]).forward ?? []).toEqual([])
    expect(revise({ priority: 'stat' }, [task({ status: 'entered-in-error' })]).forward).toEqual([])
  })
})
