import fc from 'fast-check'
import type { Bundle, FhirResource, Patient, ServiceRequest, Task } from 'fhir/r4.js'
import { describe, expect, test } from 'vitest'
import { answerTask } from '../../src/flow/forward-order/answer-task.ts'
import { type LinkedOrder, linkedOrderBundle } from '../../src/flow/forward-order/linked-order.ts'
import {
  afterTrouble,
  closedFor,
  type Patience,
  usualPatience,
  type Verdict,
  type Whose,
} from '../../src/flow/forward-order/retry.ts'
import { withdrawWork } from '../../src/flow/forward-order/withdraw-work.ts'
import { statusOf } from '../../src/model/problems.ts'
import { taskResource } from '../../src/model/resources/link-resources.ts'
import type { TaskState } from '../../src/model/states.ts'
import { codes, identifierSystems, systems } from '../../src/model/systems.ts'
import { mapTree, visit } from '../../src/model/tree.ts'
import {
  accepted,
  at,
  context,
  device,
  ids,
  link,
  order,
  patient,
  problemsOf,
  refusedBy,
  stub,
  task,
  today,
  uuid,
} from '../support/fixtures.ts'

const now = context(`${today}T11:00:00Z`, { caller: { id: 'pebble', role: 'reading-service' } })

/** PUT Task by the reading service: the Task as we show it, but for these elements. */
const answer = (state: TaskState, change: Partial<Task>) => {
  const shown = taskResource(state)
  return answerTask({ ...shown, ...change }, shown, state, now)
}

const all = [
  'draft',
  'requested',
  'received',
  'accepted',
  'rejected',
  'ready',
  'cancelled',
  'in-progress',
  'on-hold',
  'failed',
  'completed',
  'entered-in-error',
] as const

/** Read from the diagram of http://hl7.org/fhir/R4/task.html#statemachine, for the states that a Task of ours can have. */
const diagram: Record<string, readonly string[]> = {
  requested: ['received', 'accepted', 'rejected'],
  received: ['accepted', 'rejected'],
  accepted: ['in-progress'],
  'in-progress': ['completed', 'failed'],
}

/** Ours: who begins at once may skip what comes before, and who is done at once may skip that it began. */
const shortcuts: Record<string, readonly string[]> = {
  requested: ['in-progress'],
  received: ['in-progress'],
  accepted: ['completed', 'failed'],
}

/** What a reading service may say at all: the contract, section 4. */
const theirs = ['received', 'accepted', 'rejected', 'in-progress', 'completed', 'failed']

describe('the answer of a reading service', () => {
  const pairs = [
    'requested',
    'received',
    'accepted',
    'in-progress',
    'completed',
    'failed',
    'rejected',
    'cancelled',
    'entered-in-error',
  ]
    .flatMap((from) => all.map((to) => [from, to] as const))
    .filter(([from, to]) => from !== to)

  test.each(pairs)('from %s to %s', (from, to) => {
    const refused = answer(task({ status: from }), { status: to })
    const allowed = [...(diagram[from] ?? []), ...(shortcuts[from] ?? [])].includes(to)
    if (allowed) expect(problemsOf(refused)).toEqual([])
    else if (!theirs.includes(to))
      expect([refusedBy(refused), statusOf(problemsOf(refused))]).toEqual([['element-not-changeable'], 422])
    else expect([refusedBy(refused), statusOf(problemsOf(refused))]).toEqual([['illegal-step'], 409])
  })

  test('that is illegal is told what would be legal', () => {
    const [problem] = problemsOf(answer(task({ status: 'in-progress' }), { status: 'accepted' }))
    expect(problem).toMatchObject({ found: 'in-progress → accepted', expected: 'completed | failed' })
    const [last] = problemsOf(answer(task({ status: 'completed' }), { status: 'accepted' }))
    expect(last?.expected).toBe('nothing after completed')
  })

  test.each<[Task['status'], Partial<TaskState>, boolean | undefined]>([
    ['received', {}, undefined],
    ['accepted', {}, true],
    ['in-progress', {}, true],
    ['rejected', {}, false],
    ['failed', { status: 'in-progress', acceptedAt: at(`${today}T10:00:00Z`) }, true],
  ])('%s says of the delivery whether it was taken', (status, before, taken) => {
    expect(accepted(answer(task(before), { status })).answer.taken).toBe(taken)
  })

  test('to a request to stop says nothing of the delivery', () => {
    const abort = task({ asks: 'abort', about: uuid(41) })
    for (const status of ['accepted', 'rejected'] as const)
      expect(accepted(answer(abort, { status })).answer).toEqual({ taskId: ids.task })
  })

  test('is accepted once: a later step keeps the moment', () => {
    const first = accepted(answer(task(), { status: 'accepted' })).changes[0]?.state as TaskState
    expect(first.acceptedAt).toBe(now.now)
    const second = answer({ ...first, acceptedAt: at(`${today}T10:00:00Z`) }, { status: 'in-progress' })
    expect(accepted(second).changes[0]?.state).toMatchObject({ acceptedAt: at(`${today}T10:00:00Z`) })
  })

  test('may bring a reason, a business status, an output and a note, and take them back', () => {
    const said: Partial<Task> = {
      status: 'accepted',
      statusReason: { text: 'taken' },
      businessStatus: { text: 'waiting for the recording' },
      output: [{ type: { text: 'report' }, valueString: 'R-1' }],
      note: [{ text: 'thanks' }],
    }
    const state = accepted(answer(task(), said)).changes[0]?.state as TaskState
    expect(state).toMatchObject(said)
    const bare = taskResource(task({ status: 'accepted' }))
    const cleared = accepted(answerTask(bare, taskResource(state), state, now)).changes[0]?.state as TaskState
    expect([cleared.note, cleared.output, cleared.statusReason]).toEqual([undefined, undefined, undefined])
  })

  test('said again changes nothing', () => {
    const state = task({ status: 'accepted', acceptedAt: at(`${today}T10:00:00Z`), note: [{ text: 'thanks' }] })
    expect(accepted(answer(state, {})).changes).toEqual([])
    expect(accepted(answer(state, { note: [{ text: 'thanks!' }] })).changes).toHaveLength(1)
  })

  test('may come back from their server: references led elsewhere, our delivery is named', () => {
    const stored = taskResource(task())
    const theirs: Task = {
      ...stored,
      for: { reference: 'Patient/4711' },
      focus: { reference: 'ServiceRequest/12' },
      identifier: [...(stored.identifier ?? []), { system: systems.deliveries, value: uuid(77) }],
      status: 'accepted',
    }
    const { changes } = accepted(answerTask(theirs, stored, task(), now))
    expect(changes.map((c) => c.state)).toMatchObject([{ status: 'accepted', patientId: task().patientId }])
  })

  test.each<[string, Partial<Task>]>([
    ['for', { for: { display: 'somebody else' } }],
    ['owner', { owner: { display: 'somebody else' } }],
    ['priority', { priority: 'stat' }],
    ['basedOn', { basedOn: [] }],
    ['input', { input: [] }],
    ['extension', { extension: [{ url: 'https://pebble.example/x', valueString: 'x' }] }],
    ['identifier', { identifier: [] }],
    ['code', { code: { text: 'something else' } }],
  ])('may not change %s', (name, change) => {
    const refused = answer(task(), change)
    expect(problemsOf(refused).map((p) => [p.code, p.at])).toEqual([['element-not-changeable', [`Task.${name}`]]])
    expect(statusOf(problemsOf(refused))).toBe(422)
  })

  test('may leave nothing of the rest out, and is told everything at once', () => {
    const { owner: _owner, focus: _focus, ...less } = taskResource(task({ status: 'completed' }))
    const state = task({ status: 'completed' })
    const refused = answerTask({ ...less, status: 'received' }, taskResource(state), state, now)
    expect(refusedBy(refused)).toEqual(['element-not-changeable', 'element-not-changeable', 'illegal-step'])
  })

  test('may differ in what means nothing: id, meta, narrative, the moment of the last change', () => {
    const { id: _id, ...rest } = taskResource(task())
    const written: Task = {
      ...rest,
      meta: { versionId: '9' },
      text: { status: 'generated', div: '<div xmlns="http://www.w3.org/1999/xhtml">A task</div>' },
      lastModified: '2026-11-25T10:59:00Z',
      status: 'received',
    }
    expect(problemsOf(answerTask(written, taskResource(task()), task(), now))).toEqual([])
  })
})

describe('withdrawn work', () => {
  // COW 1.0.0-ballot: a placer may cancel before in-progress, afterwards it must ask by a Task of code `abort`
  test.each(['requested', 'received', 'accepted', 'ready'])('that is %s is cancelled', (status) => {
    expect(withdrawWork([task({ status })], now)).toMatchObject([
      { fact: 'task-cancelled', state: { id: ids.task, status: 'cancelled', modifiedAt: now.now } },
    ])
  })

  test.each(['in-progress', 'on-hold'])('that is %s is asked to stop, by a Task of its own', (status) => {
    const begun = task({
      status,
      acceptedAt: at(`${today}T10:00:00Z`),
      note: [{ text: 'begun' }],
      output: [{ type: { text: 'report' }, valueString: 'R-1' }],
      statusReason: { text: 'fine' },
    })
    const [change, ...others] = withdrawWork([begun], context(`${today}T11:00:00Z`))
    expect(others).toEqual([])
    expect(change).toEqual({
      fact: 'task-requested',
      state: { ...task(), id: uuid(1001), asks: 'abort', about: ids.task, authoredAt: now.now, modifiedAt: now.now },
      occurredAt: now.now,
    })
  })

  test.each(['completed', 'failed', 'cancelled', 'rejected', 'entered-in-error'])('that is %s is left', (status) => {
    expect(withdrawWork([task({ status })], now)).toEqual([])
  })

  test('does not withdraw the request to stop', () => {
    expect(withdrawWork([task({ asks: 'abort', about: uuid(41) })], now)).toEqual([])
  })
})

describe('a linked order', () => {
  const orderResource: ServiceRequest = {
    resourceType: 'ServiceRequest',
    id: ids.order,
    meta: { versionId: '3', lastUpdated: '2026-11-20T08:00:00Z', profile: ['https://harbour.example/order'] },
    contained: [{ resourceType: 'Practitioner', id: 'a' }],
    identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }],
    status: 'active',
    intent: 'order',
    code: { coding: [codes.ecgMonitoring] },
    subject: { reference: `Patient/${ids.patient}` },
    requester: { reference: '#a' },
    encounter: { reference: `Encounter/${uuid(70)}` },
    performer: [{ reference: `Organization/${uuid(71)}`, display: 'Pebble Reading Room' }],
    reasonReference: [
      {
        reference: `Condition/${uuid(72)}`,
        type: 'Condition',
        identifier: { system: 'https://harbour.example/conditions', value: 'C-1' },
      },
    ],
  }
  const linkedOrder = (over: Partial<LinkedOrder> = {}): LinkedOrder => ({
    order: order(),
    orderResource,
    patientResource: patient,
    links: [link()],
    devices: [device({ patientId: ids.patient })],
    stubs: [stub()],
    tasks: [task(), task({ id: uuid(41), asks: 'abort', about: ids.task })],
    ...over,
  })
  const bundle = linkedOrderBundle(linkedOrder(), 'delivery-1')
  const find = <T extends FhirResource['resourceType']>(b: Bundle, type: T) =>
    (b.entry ?? [])
      .map((e) => e.resource)
      .filter((r): r is Extract<FhirResource, { resourceType: T }> => r?.resourceType === type)
  const references = (b: Bundle): readonly string[] => {
    const found: string[] = []
    visit(b, (node) => {
      if (typeof node.reference === 'string') found.push(node.reference)
    })
    return found
  }

  test('is one transaction: the patient first, then everything that is ours', () => {
    expect([bundle.type, bundle.entry?.map((e) => e.resource?.resourceType)]).toEqual([
      'transaction',
      [
        'Patient',
        'ServiceRequest',
        'Device',
        'DeviceUseStatement',
        'Procedure',
        'Observation',
        'DiagnosticReport',
        'Task',
        'Task',
      ],
    ])
  })

  test('writes what is ours by conditional PUT on our identifiers, each of which the resource carries', () => {
    for (const entry of (bundle.entry ?? []).slice(1)) {
      const type = entry.resource?.resourceType as keyof typeof identifierSystems
      const id = entry.fullUrl?.slice('urn:uuid:'.length) ?? ''
      expect(entry.request).toEqual({
        method: 'PUT',
        url: `${type}?identifier=${encodeURIComponent(`${identifierSystems[type]}|${id}`)}`,
      })
      const { identifier } = entry.resource as Task
      expect(identifier).toContainEqual({ system: identifierSystems[type], value: id })
    }
  })

  test.each<[string, Patient['identifier'], string | undefined]>([
    ['its only identifier', [{ system: 'urn:a', value: '1' }], 'urn:a|1'],
    [
      'the official one before others',
      [
        { system: 'urn:a', value: '1' },
        { system: 'urn:b', value: '2', use: 'official' },
      ],
      'urn:b|2',
    ],
    [
      'not one that is old',
      [
        { system: 'urn:a', value: '1', use: 'old' },
        { system: 'urn:b', value: '2' },
      ],
      'urn:b|2',
    ],
    ['nothing where no identifier has a system', [{ value: '1' }], undefined],
  ])('brings the patient if none exists by %s', (_, identifier, named) => {
    const sent = linkedOrderBundle(linkedOrder({ patientResource: { ...patient, identifier: identifier ?? [] } }), 'd')
    expect(sent.entry?.[0]?.request).toEqual({
      method: 'POST',
      url: 'Patient',
      ...(named && { ifNoneExist: `identifier=${encodeURIComponent(named)}` }),
    })
  })

  test('refers to nothing that does not go along', () => {
    const along = new Set(bundle.entry?.map((e) => e.fullUrl))
    expect(along.size).toBe(bundle.entry?.length)
    for (const reference of references(bundle)) expect(reference.startsWith('#') || along.has(reference)).toBe(true)
    expect(references(bundle).length).toBeGreaterThan(15)
  })

  test('keeps of other references what can be known elsewhere', () => {
    const [sent] = find(bundle, 'ServiceRequest')
    expect(sent?.encounter).toEqual({ display: 'known to the sender' })
    expect(sent?.performer).toEqual([{ display: 'Pebble Reading Room' }])
    expect(sent?.reasonReference).toEqual([
      { type: 'Condition', identifier: { system: 'https://harbour.example/conditions', value: 'C-1' } },
    ])
    expect(sent?.requester).toEqual({ reference: '#a' })
  })

  test('carries none of our ids and versions, and the rest of meta', () => {
    for (const { resource } of bundle.entry ?? []) expect(resource?.id).toBeUndefined()
    expect(find(bundle, 'ServiceRequest')[0]?.meta).toEqual({ profile: ['https://harbour.example/order'] })
  })

  test('is signed in every Task, so that its fate can be read back', () => {
    const tasks = find(bundle, 'Task')
    expect(tasks).toHaveLength(2)
    for (const sent of tasks)
      expect(sent.identifier).toContainEqual({ system: systems.deliveries, value: 'delivery-1' })
    expect(tasks[1]?.focus).toEqual({ reference: `urn:uuid:${ids.task}` })
  })

  test('names no other patient: neither the device’s by now nor that of a corrected link', () => {
    const sent = linkedOrderBundle(
      linkedOrder({
        devices: [device({ patientId: uuid(99) })],
        links: [link({ status: 'entered-in-error', patientId: uuid(98) })],
      }),
      'd',
    )
    expect(find(sent, 'Device')[0]?.patient).toBeUndefined()
    expect(JSON.stringify(sent)).not.toMatch(new RegExp(`${uuid(99)}|${uuid(98)}`))
  })

  test('is the same whenever the same state is sent', () => {
    expect(linkedOrderBundle(linkedOrder(), 'delivery-1')).toEqual(bundle)
    // and nothing of it is changed in place
    expect(orderResource.encounter).toEqual({ reference: `Encounter/${uuid(70)}` })
    expect(mapTree(orderResource, (node) => node)).toEqual(orderResource)
  })
})

describe('a delivery in trouble', () => {
  const patience: Patience = { first: 2, longest: 60, age: 3600, attempts: 10 }
  const trouble = (fate: 'try-again' | 'unsure' | 'final', retryAfterMs?: number, whose: Whose = 'unclear') => ({
    fate,
    whose,
    reason: 'It is down.',
    ...(retryAfterMs !== undefined && { retryAfterMs }),
  })

  test.each<[string, Parameters<typeof trouble>, number, number, Verdict]>([
    [
      'waits before the second attempt',
      ['try-again'],
      1,
      0,
      { fate: 'queued', reason: 'It is down.', delaySeconds: 2 },
    ],
    ['waits twice as long each time', ['try-again'], 4, 0, { fate: 'queued', reason: 'It is down.', delaySeconds: 16 }],
    [
      'waits no longer than the limit',
      ['try-again'],
      9,
      0,
      { fate: 'queued', reason: 'It is down.', delaySeconds: 60 },
    ],
    [
      'is read back first where its fate is unknown',
      ['unsure'],
      1,
      0,
      { fate: 'unsure', reason: 'It is down.', delaySeconds: 2 },
    ],
    [
      'waits as long as it is asked to',
      ['try-again', 90_000],
      1,
      0,
      { fate: 'queued', reason: 'It is down.', delaySeconds: 90 },
    ],
    [
      'waits its own time where it is asked for less',
      ['try-again', 1000],
      4,
      0,
      { fate: 'queued', reason: 'It is down.', delaySeconds: 16 },
    ],
    [
      'waits in its line, and for nothing else, where the destination is not there',
      ['try-again', undefined, 'destination'],
      9,
      0,
      { fate: 'queued', reason: 'It is down.', delaySeconds: 0 },
    ],
    ['is parked at once where nothing will mend it', ['final'], 1, 0, { fate: 'parked', reason: 'It is down.' }],
    [
      'is parked when it is too old',
      ['try-again'],
      2,
      3600,
      { fate: 'parked', reason: 'It is down. Given up after 1 h.' },
    ],
    [
      'is parked after too many attempts',
      ['unsure'],
      10,
      0,
      { fate: 'parked', reason: 'It is down. Given up after 10 attempts.' },
    ],
    [
      'is parked where it is asked to wait until it would be too old',
      ['try-again', 3_000_000],
      1,
      601,
      { fate: 'parked', reason: 'It is down. Given up: it asks to wait past the limit of 1 h.' },
    ],
  ])('%s', (_, said, attempt, age, verdict) => {
    expect(afterTrouble(trouble(...said), attempt, age, patience, 1)).toEqual(verdict)
  })

  test('is given up for its age, and not for the tries of a closed destination, a minute apart', () => {
    expect(usualPatience.attempts).toBeGreaterThan(usualPatience.age / 60)
  })

  test('waits between half and all of its time, so that many do not come back together', () => {
    const luck = fc.double({ min: 0, max: 1, noNaN: true })
    fc.assert(
      fc.property(luck, fc.integer({ min: 1, max: 299 }), (l, attempt) => {
        const verdict = afterTrouble(trouble('try-again'), attempt, 0, usualPatience, l)
        const full = Math.min(usualPatience.longest, usualPatience.first * 2 ** (attempt - 1))
        if (verdict.fate === 'parked') throw new Error('parked')
        expect(verdict.delaySeconds).toBeGreaterThanOrEqual(full / 2)
        expect(verdict.delaySeconds).toBeLessThanOrEqual(full)
      }),
    )
  })
})

describe('a closed destination', () => {
  const patience: Patience = { first: 2, longest: 900, age: 3600, attempts: 10 }

  test.each<[string, number | undefined, number, number]>([
    ['is tried again soon at first', undefined, 1, 2],
    ['is left alone twice as long each time', undefined, 3, 8],
    ['is found within a minute when it came back', undefined, 30, 60],
    ['is left alone as long as it asks', 600_000, 1, 600],
    ['and its own time where it asks for less', 1000, 4, 16],
    ['is not left alone for longer than any message waits', 3_601_000, 1, 2],
  ])('%s', (_, retryAfterMs, closing, seconds) => {
    const asked = retryAfterMs === undefined ? {} : { retryAfterMs }
    expect(closedFor(asked, closing, patience, 1)).toBe(seconds)
    expect(closedFor(asked, closing, patience, 0)).toBeLessThanOrEqual(seconds)
  })
})
