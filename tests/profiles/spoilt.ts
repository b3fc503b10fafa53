/** Examples of the package, each made wrong in one thing that its profile is there to refuse. */
import { committed } from '../../profiles/build.ts'

const { examples } = committed()

/** An example with some of its elements replaced, or taken out. */
export const spoilt = (name: string, over: object): object => {
  const text = examples.get(`${name}.json`)
  if (text === undefined) throw new Error(`there is no example ${name}`)
  return { ...JSON.parse(text), ...over }
}

const gone = undefined
const other = (system: string, code: string) => ({ coding: [{ system, code }] })
const unlike = other('https://daybind.example/CodeSystem/observation-kind', 'diary-symptom')

/** What of an example is made wrong, by its file's name. */
export const mutants: readonly (readonly [example: string, what: string, over: object])[] = [
  ['order', 'without a system or the type PLAC in any identifier', { identifier: [{ value: 'P-1' }] }],
  ['order', 'not to do something', { doNotPerform: true }],
  ['order', 'without a code', { code: gone }],
  ['order', 'about a group', { subject: { reference: 'Group/1' } }],
  [
    'linked-order',
    'without our identifier',
    { identifier: [{ system: 'https://harbour.example/orders', value: 'P-1' }] },
  ],
  ['patient', 'without a system in any identifier', { identifier: [{ value: 'TH-0042' }] }],
  ['recorder', 'without a serial number', { serialNumber: gone }],
  ['recorder', 'without a device identifier', { udiCarrier: gone }],
  ['link', 'without an order', { basedOn: gone }],
  ['link', 'without a start', { timingPeriod: { end: '2026-12-09T09:00:00Z' } }],
  ['link', 'in a status that no link has', { status: 'on-hold' }],
  [
    'link-ended',
    'with an unknown reason',
    { extension: [{ url: 'https://daybind.example/StructureDefinition/link-end-reason', valueCode: 'melted' }] },
  ],
  ['application', 'without a recorder', { focalDevice: gone }],
  ['application', 'in a status that none has', { status: 'in-progress' }],
  ['reading-task', 'without an owner', { owner: gone }],
  ['reading-task', 'as a plan', { intent: 'plan' }],
  ['reading-task', 'about something else', { focus: { reference: 'Patient/1' } }],
  ['stub-observation', 'with a value', { valueString: 'Sinus rhythm' }],
  ['stub-observation', 'final', { status: 'final' }],
  ['stub-observation', 'with another code', { code: unlike }],
  ['stub-report', 'with a conclusion', { conclusion: 'Sinus rhythm' }],
  ['stub-report', 'without its observation', { result: gone }],
  ['clock-observation', 'about a patient', { subject: { reference: 'Patient/1' } }],
  ['symptom-observation', 'without words', { valueString: gone }],
  ['gap-no-link', 'with an unknown code', { code: other('https://daybind.example/CodeSystem/gap', 'no-coffee') }],
  ['gap-no-link', 'without a severity', { severity: gone }],
  ['gap-no-link', 'cancelled', { status: 'cancelled' }],
  ['evening', 'of another measure', { measure: 'https://daybind.example/Measure/other' }],
  ['evening', 'without the time zone rules', { extension: gone }],
  ['evening', 'without groups', { group: gone }],
  ['not-applied-record', 'without a reason', { reason: gone }],
  ['not-applied-record', 'about a patient', { target: [{ reference: 'Patient/1' }] }],
]
