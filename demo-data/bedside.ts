/** What is done where the patients and the recorders are: linking, seeing, ending, taking back. */
import type { Parameters, ParametersParameter } from 'fhir/r4.js'
import { addSeconds, msOf } from '../src/model/instant.ts'
import { zoneOn } from '../src/model/local-day.ts'
import { printInstant } from '../src/model/moment.ts'
import type { Instant } from '../src/model/states.ts'
import { systems } from '../src/model/systems.ts'
import { daysAfter, momentOf } from './calendar.ts'
import { type Answer, asResource, codesIn, outOf, outsOf } from './caller.ts'
import type { Deed, Happening, Linking, Place } from './deeds.ts'
import { criterion, placerNumber, recordNumber } from './messages.ts'
import { personOf } from './people.ts'
import { captured, labelOf } from './recorders.ts'
import { type Came, deskOf, instantAt, type Scene, writtenAt } from './scene.ts'

type Of<D extends Deed['do']> = Extract<Deed, { do: D }>

const staff = {
  'tern-harbour': { system: 'https://harbour.example/staff', value: '117', name: 'Nurse Quillmere' },
  'quarry-lane': { system: 'https://lowwater.example/staff', value: '2040', name: 'Nurse Vetchling' },
} as const

const parameters = (...parameter: readonly ParametersParameter[]): Parameters => ({
  resourceType: 'Parameters',
  parameter: [...parameter],
})

export const siteParameter = (site: string): ParametersParameter => ({
  name: 'site',
  valueIdentifier: { system: systems.sites, value: site },
})

/** A recorder's label: good for two years, or expired forty days ago. */
const labelIn = (scene: Scene, serial: string, expired?: boolean) =>
  labelOf(serial, daysAfter(scene.calendar.day, expired ? -40 : 730))

export const expectStatus = (answer: Answer, status: number): readonly string[] =>
  answer.status === status
    ? []
    : [
        `answered ${answer.status} instead of ${status}: ${codesIn(asResource(answer.body, 'OperationOutcome')).join(', ')}`,
      ]

const expectCodes = (found: readonly string[], expected: readonly string[], what: string): readonly string[] =>
  [...found].sort().join() === [...expected].sort().join()
    ? []
    : [`${what} ${found.join(', ') || 'nothing'} instead of ${expected.join(', ') || 'nothing'}`]

/** Each issue as its code and the sentence that belongs to it. */
const issuesOf = (body: unknown): string =>
  (asResource(body, 'OperationOutcome')?.issue ?? [])
    .map(({ details }) => `${details?.coding?.[0]?.code ?? '?'}: ${details?.text ?? ''}`)
    .join(' ')

const linkParameters = (scene: Scene, deed: Linking, place: Place, appliedAt: Instant): Parameters => {
  const person = personOf(deed.order)
  const who = staff[place === 'quarry-lane' ? 'quarry-lane' : 'tern-harbour']
  const written = writtenAt(scene, place, appliedAt)
  return parameters(
    { name: 'order', valueIdentifier: placerNumber(person) },
    ...captured(labelIn(scene, deed.recorder, deed.expired), deed.how),
    { name: 'appliedAt', valueDateTime: written },
    { name: 'patientIdentifier', valueIdentifier: recordNumber(person) },
    { name: 'birthDate', valueDate: deed.birthDate ?? person.birthDate },
    {
      name: 'performer',
      valueReference: {
        type: 'Practitioner',
        identifier: { system: who.system, value: who.value },
        display: who.name,
      },
    },
    // all readings of the recorder's clock are written with the offset of the switch-on
    ...(deed.clockAhead === undefined
      ? []
      : [
          {
            name: 'deviceClock',
            valueDateTime: printInstant(msOf(appliedAt) + deed.clockAhead * 3_600_000, written.slice(-6)),
          },
        ]),
    { name: 'captureKey', valueString: `${deed.order} ${deed.recorder} ${deed.how} ${deed.birthDate ?? ''}` },
  )
}

const refusedAs = (answer: Answer, codes: readonly string[]): Came => ({
  said: `${answer.status} ${issuesOf(answer.body)}`,
  wrong: [
    ...expectStatus(answer, 422),
    ...expectCodes(codesIn(asResource(answer.body, 'OperationOutcome')), codes, 'refused with'),
  ],
})

export const link = async (scene: Scene, deed: Linking, happening: Happening, now: Instant): Promise<Came> => {
  const appliedAt =
    deed.on === undefined
      ? addSeconds(now, -120)
      : instantAt(scene, { ...happening, ...(deed.yesterday && { on: 'day' }) }, deed.on)
  const body = linkParameters(scene, deed, happening.place, appliedAt)
  const send = () => scene.call(deskOf[happening.place], 'POST', '/fhir/ServiceRequest/$link-device', body)
  const answer = await send()
  if (deed.refused) return refusedAs(answer, deed.refused)
  const again = deed.twice ? await send() : undefined
  const made = outOf(answer.body, 'link', 'DeviceUseStatement')
  if (made?.id !== undefined) scene.links.set(deed.recorder, made.id)
  const outcome = outOf(answer.body, 'outcome', 'OperationOutcome')
  const tasks = outsOf(answer.body, 'task').length
  const warned = outcome?.issue.map(({ diagnostics }) => diagnostics).join(' ')
  return {
    ...(warned !== undefined && { said: `Linked, with a warning. ${warned}` }),
    ...(again && { said: 'The second call gets the answer of the first: one link, one order to the reading service.' }),
    wrong: [
      ...expectStatus(answer, 200),
      ...(made === undefined ? ['no link was answered'] : []),
      ...(tasks === 1 ? [] : [`${tasks} tasks instead of 1`]),
      ...(again && again.text !== answer.text ? ['the second answer is another than the first'] : []),
      ...expectCodes(codesIn(outcome), deed.warned ?? [], 'warned of'),
    ],
  }
}

export const seeApplied = async (scene: Scene, deed: Of<'see-applied'>, { place }: Happening, now: Instant) => {
  const answer = await scene.call(
    deskOf[place],
    'POST',
    '/fhir/Device/$record-application',
    parameters(
      ...captured(labelIn(scene, deed.recorder), deed.how),
      { name: 'appliedAt', valueDateTime: writtenAt(scene, place, now) },
      siteParameter(place),
      { name: 'evidence', valueCode: 'capture' },
    ),
  )
  const linked = outsOf(answer.body, 'link').length > 0
  const wrong = [...expectStatus(answer, 200), ...(linked ? ['there is a link already'] : [])]
  return { said: 'The service knows that it is on somebody, and waits for the link.', wrong }
}

export const endLink = async (scene: Scene, deed: Of<'end-link'>, happening: Happening): Promise<Came> => {
  const endedAt = writtenAt(scene, happening.place, instantAt(scene, happening, deed.at))
  const answer = await scene.call(
    deskOf[happening.place],
    'POST',
    `/fhir/DeviceUseStatement/${scene.links.get(deed.recorder)}/$end-link`,
    parameters(
      { name: 'endedAt', valueDateTime: endedAt },
      { name: 'reason', valueCode: deed.reason },
      { name: 'note', valueString: 'Skin irritation under the electrodes.' },
    ),
  )
  const status = outOf(answer.body, 'link', 'DeviceUseStatement')?.status
  return { wrong: [...expectStatus(answer, 200), ...(status === 'stopped' ? [] : [`the link is ${status}`])] }
}

export const recordNotApplied = async (scene: Scene, deed: Of<'record-not-applied'>, { place }: Happening) => {
  const person = personOf(deed.order)
  const found = await scene.call(deskOf[place], 'GET', `/fhir/ServiceRequest?${criterion(placerNumber(person))}`)
  const id = asResource(found.body, 'Bundle')?.entry?.[0]?.resource?.id
  const answer = await scene.call(
    deskOf[place],
    'POST',
    `/fhir/ServiceRequest/${id}/$record-not-applied`,
    parameters(
      { name: 'reason', valueCode: deed.reason },
      ...(deed.reason === 'rescheduled' ? [{ name: 'newDate', valueDate: scene.calendar.nextWeek }] : []),
    ),
  )
  return { wrong: expectStatus(answer, 200) }
}

/** The day after which a recorder may be in the post. */
const cameOff = (scene: Scene, place: Place, time: string): string => {
  const date = daysAfter(scene.calendar.day, -2)
  const { timeZone = 'UTC' } =
    scene.stage.configuration.sites.find(({ id }) => id === (place === 'pebble' ? 'tern-harbour' : place)) ?? {}
  return writtenAt(scene, place, momentOf(date, time, zoneOn(date, timeZone)))
}

export const takeBack = async (scene: Scene, deed: Of<'return'>, { place }: Happening, now: Instant): Promise<Came> => {
  const answer = await scene.call(
    deskOf[place],
    'POST',
    '/fhir/Device/$record-return',
    parameters(
      ...captured(labelIn(scene, deed.recorder), deed.how),
      { name: 'receivedAt', valueDateTime: writtenAt(scene, place, now) },
      ...(deed.wornUntil === undefined
        ? []
        : [{ name: 'wornUntil', valueDateTime: cameOff(scene, place, deed.wornUntil) }]),
    ),
  )
  if (!deed.unknown) {
    const stubs = [outOf(answer.body, 'report', 'DiagnosticReport'), outOf(answer.body, 'observation', 'Observation')]
    const registered = stubs.every((stub) => stub?.status === 'registered')
    return {
      said: 'The wear ends, and a report is registered that has no result yet.',
      wrong: [...expectStatus(answer, 200), ...(registered ? [] : ['no registered stubs were answered'])],
    }
  }
  const gap = outOf(answer.body, 'gap', 'DetectedIssue')
  const named = /Patient\//.test(answer.text) || gap?.patient !== undefined
  return {
    said: 'Held without a patient: nobody guesses whose recording that is.',
    wrong: [
      ...expectStatus(answer, 200),
      ...(gap === undefined ? ['no gap was answered'] : []),
      ...(named ? ['the answer names a patient'] : []),
    ],
  }
}
