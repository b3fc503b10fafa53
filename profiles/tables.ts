/**
 * Code systems and value sets from the tables by which the code decides, so that there is one truth. What stands in the
 * code as bare codes is explained here; the types see to it that none is left out.
 */
import type { notAppliedReasons } from '../src/flow/apply-device/record-not-applied.ts'
import { gapRules } from '../src/flow/watch-flow/gaps.ts'
import { refusals } from '../src/model/problems.ts'
import type { ApplicationState, DoubtCause, LinkEndReason, Mitigation } from '../src/model/states.ts'
import { codes, home } from '../src/model/systems.ts'
import { displayOf, lines, nameOf, quoted } from './fsh-text.ts'

interface Property {
  readonly code: string
  readonly type: 'code' | 'integer' | 'boolean'
  readonly about: string
}

interface Concept {
  readonly code: string
  readonly means: string
  /** Values of the properties, by code. */
  readonly is?: Readonly<Record<string, string | number | boolean>>
}

export interface Table {
  readonly id: string
  readonly title: string
  readonly about: string
  readonly properties?: readonly Property[]
  readonly concepts: readonly Concept[]
}

const meanings = <T extends string>(table: Readonly<Record<T, string>>): readonly Concept[] =>
  Object.entries<string>(table).map(([code, means]) => ({ code, means }))

const gapConcepts = (): readonly Concept[] =>
  gapRules.map(({ code, severity, means, opens, closes }) => ({
    code,
    means: `${means} Opens: ${opens} Closes: ${closes}`,
    is: { severity },
  }))

export const tables: readonly Table[] = [
  {
    id: 'gap',
    title: 'Gaps',
    about: 'What should be there and is not.',
    properties: [{ code: 'severity', type: 'code', about: 'The severity of its DetectedIssue.' }],
    concepts: gapConcepts(),
  },
  {
    id: 'refusal',
    title: 'Refusals and warnings',
    about: 'Everything that Daybind can find wrong. The code stands in OperationOutcome.issue.details.',
    properties: [
      { code: 'status', type: 'integer', about: 'The HTTP status where it refuses a call.' },
      { code: 'issue', type: 'code', about: 'The type of its issue, http://hl7.org/fhir/issue-type.' },
    ],
    concepts: Object.entries(refusals).map(([code, { status, issue, text }]) => ({
      code,
      means: text,
      is: { status, issue },
    })),
  },
  {
    id: 'link-end',
    title: 'Why a link ends',
    about: 'What became of the recorder at the end of its wear.',
    concepts: meanings<LinkEndReason>({
      removed: 'It came off as planned; the link is completed.',
      failed: 'It does not record any more; the link is stopped.',
      lost: 'It cannot be found; the link is stopped.',
      replaced: 'Another recorder took its place; the link is stopped.',
    }),
  },
  {
    id: 'evidence',
    title: 'Evidence of an application',
    about: 'How it is known that a device was applied, where nobody said to whom.',
    concepts: meanings<ApplicationState['evidence']>({
      capture: 'Somebody scanned it or took it down at the application.',
      activation: 'It was switched on, by its own account or that of the system that it reports to.',
      stock: 'It was taken from the shelf; that alone opens no gap.',
    }),
  },
  {
    id: 'clock-cause',
    title: 'Causes of a doubt about the clock',
    about: 'Why the recorder’s clock and the stated moment are most likely apart.',
    concepts: meanings({
      'am-pm': 'Morning and afternoon were exchanged: twelve hours.',
      day: 'The date is off by whole days.',
      zone: 'The clock runs on the time of another zone.',
      'daylight-saving': 'The clock was not set when daylight saving time began or ended: one hour.',
      'day-month': 'Day and month were exchanged.',
      year: 'The year is wrong.',
      'hour-minute': 'Hours and minutes were exchanged.',
      'clock-reset': 'The clock began anew at a date of its maker, as after a loss of power.',
      'none-of-these': 'None of the usual slips explains it.',
    }),
  },
  {
    id: 'not-applied',
    title: 'Why no recorder was fitted',
    about: 'What was recorded of a visit at which no recorder was fitted.',
    concepts: meanings({
      'no-show': 'The patient did not come.',
      declined: 'The patient did not want it.',
      unfit: 'The patient could not have it fitted.',
      rescheduled: 'The visit was put off.',
    } satisfies Record<(typeof notAppliedReasons)[number], string>),
  },
  {
    id: 'mitigation',
    title: 'What mends a gap',
    about: 'The action of a DetectedIssue’s mitigation.',
    concepts: meanings<Mitigation>({
      linked: 'The device was linked.',
      returned: 'The device came back.',
      cancelled: 'What was missing is not asked for any more.',
      confirmed: 'A person looked and found it right.',
      rescheduled: 'The visit has another day.',
    }),
  },
  {
    id: 'identity-doubt',
    title: 'Why a patient is in doubt',
    about: 'What a source said of the patient after the link.',
    concepts: meanings<DoubtCause>({
      merged: 'Their record was merged into another, and the link moved along.',
      unmerged: 'The merge of their records was taken back; the link has not moved.',
      'successor-unknown': 'Their record was replaced by one that is not known here.',
      inactive: 'Their record was set inactive.',
      changed: 'What identifies them changed.',
    }),
  },
  {
    id: 'measure-group',
    title: 'Figures of an evening',
    about: 'The groups of the Measure same-day-link.',
    concepts: meanings({
      linked: 'How many of the applied recorders were linked in time.',
      taken: 'How many of the linked orders were accepted in time.',
    }),
  },
  {
    id: 'origin',
    title: 'Where an order is from',
    about: 'A tag of orders that no source sent.',
    concepts: meanings({ 'by-hand': 'A clinic wrote it itself, for example from a paper referral.' }),
  },
  {
    id: 'report-mark',
    title: 'Marks of a report',
    about: 'Tags by which Daybind marks what it took.',
    concepts: meanings({
      held: 'It disagrees with the link or the order that it names, or names none: it is in nobody’s record.',
      settled: 'It was held, and a report that agrees has taken its place.',
      'after-revocation': 'The order had been revoked when it came.',
    }),
  },
  {
    id: 'observation-kind',
    title: 'Observations about a recorder and its diary',
    about: 'What LOINC has no code for.',
    concepts: meanings({
      'recorder-clock': 'What the recorder’s own clock showed at a known moment.',
      'diary-symptom': 'An entry of the patient’s diary.',
    }),
  },
]

const valueKeys = { code: 'valueCode', integer: 'valueInteger', boolean: 'valueBoolean' } as const

const valueText = (type: Property['type'], value: string | number | boolean): string =>
  type === 'code' ? `#${value}` : `${value}`

const conceptLines = (concept: Concept, properties: readonly Property[]): readonly string[] => [
  `* #${concept.code} ${quoted(displayOf(concept.code))} ${quoted(concept.means)}`,
  ...properties.flatMap(({ code, type }, i) => [
    `  * ^property[${i}].code = #${code}`,
    `  * ^property[${i}].${valueKeys[type]} = ${valueText(type, concept.is?.[code] ?? '')}`,
  ]),
]

const tableFsh = ({ id, title, about, properties = [], concepts }: Table): string =>
  lines(
    [`CodeSystem: ${nameOf(id)}`, `Id: ${id}`, `Title: ${quoted(title)}`, `Description: ${quoted(about)}`],
    '* ^caseSensitive = true',
    `* ^valueSet = ${quoted(`${home}/ValueSet/${id}`)}`,
    properties.flatMap((p, i) => [
      `* ^property[${i}].code = #${p.code}`,
      `* ^property[${i}].type = #${p.type}`,
      `* ^property[${i}].description = ${quoted(p.about)}`,
    ]),
    concepts.flatMap((c) => conceptLines(c, properties)),
    '',
    [`ValueSet: ${nameOf(id)}Codes`, `Id: ${id}`, `Title: ${quoted(title)}`, `Description: ${quoted(about)}`],
    `* include codes from system ${nameOf(id)}`,
  )

/** What orders are coded with when a source's configuration says nothing else. */
const monitoringOrders = lines(
  ['ValueSet: MonitoringOrders', 'Id: monitoring-order', 'Title: "Monitoring orders"'],
  'Description: "What a source’s monitoring orders are coded with where its configuration says nothing else."',
  '* ^copyright = "SNOMED CT codes of the Global Patient Set, SNOMED International, CC BY 4.0."',
  [codes.ecgMonitoring, codes.continuousEcg].map((c) => `* ${c.system}#${c.code} ${quoted(c.display)}`),
)

/** Every code system of ours, with the value set of all its codes. */
export const tablesFsh = (): string => [...tables.map(tableFsh), monitoringOrders].join('\n')
