/**
 * OperationDefinitions from the tables by which the operations read their Parameters. What they answer is written down
 * here. An operation whose route is there and whose row is not fails a test, and the other way round.
 */
import { correctLinkParameters } from '../src/flow/apply-device/correct-link.ts'
import { endLinkParameters, linkEndReasons } from '../src/flow/apply-device/end-link.ts'
import { linkDeviceParameters } from '../src/flow/apply-device/link-device.ts'
import { evidences, recordApplicationParameters } from '../src/flow/apply-device/record-application.ts'
import { notAppliedReasons, recordNotAppliedParameters } from '../src/flow/apply-device/record-not-applied.ts'
import { recordReturnParameters } from '../src/flow/return-device/record-return.ts'
import { reconcileDayParameters } from '../src/flow/watch-flow/reconcile-day.ts'
import { acknowledgeParameters, mitigations, resolveParameters } from '../src/flow/watch-flow/settle-gap.ts'
import type { ParameterSpec, ParameterTable } from '../src/model/parameters.ts'
import { home, ownOperation } from '../src/model/systems.ts'
import { lines, nameOf, quoted } from './fsh-text.ts'

interface Out {
  readonly name: string
  readonly type: string
  readonly min: 0 | 1
  readonly max: number
  readonly about: string
}

interface Operation {
  readonly code: string
  readonly title: string
  readonly about: string
  /** On which type; absent: on the system. */
  readonly resource?: string
  readonly levels: readonly ('system' | 'type' | 'instance')[]
  /** It writes nothing. */
  readonly reads?: true
  readonly takes: ParameterTable
  readonly gives: readonly Out[]
}

const out = (name: string, type: string, about: string, min: 0 | 1 = 1, max = 1): Out => ({
  ...{ name, type, min, max, about },
})

const outcome = out('outcome', 'OperationOutcome', 'Warnings; absent where there are none.', 0)

const operations: readonly Operation[] = [
  {
    code: 'link-device',
    title: 'Link a device',
    about:
      'Ties a device to the patient of the order. At least two independent kinds of patient identifiers must agree with the order’s patient, one of them an identifier or the birth date; one that disagrees refuses the link. The order is named by the address, or by its placer number in the call on the type.',
    resource: 'ServiceRequest',
    levels: ['type', 'instance'],
    takes: linkDeviceParameters,
    gives: [
      out('link', 'DeviceUseStatement', 'The link.'),
      out('device', 'Device', 'The recorder.'),
      out('procedure', 'Procedure', 'The application.'),
      out('task', 'Task', 'One for each reading service that takes the order.', 0, Number.POSITIVE_INFINITY),
      outcome,
    ],
  },
  {
    code: 'record-not-applied',
    title: 'Record that no recorder was fitted',
    about: 'Why no recorder was fitted at a visit, and the new day where there is one.',
    resource: 'ServiceRequest',
    levels: ['instance'],
    takes: recordNotAppliedParameters,
    gives: [out('order', 'ServiceRequest', 'The order.'), outcome],
  },
  {
    code: 'end-link',
    title: 'End a link',
    about: 'The recorder came off, failed, was lost or was replaced.',
    resource: 'DeviceUseStatement',
    levels: ['instance'],
    takes: endLinkParameters,
    gives: [out('link', 'DeviceUseStatement', 'The link.'), outcome],
  },
  {
    code: 'correct-link',
    title: 'Correct a link',
    about:
      'The wrong patient, device or time was recorded. The old link and what belongs to it become entered-in-error and a new link is made; with a reason alone there is no new one. Where the patient changes, two identifiers of the right patient are needed.',
    resource: 'DeviceUseStatement',
    levels: ['instance'],
    takes: correctLinkParameters,
    gives: [
      out('link', 'DeviceUseStatement', 'The new link; absent where there is none.', 0),
      out('replaced', 'DeviceUseStatement', 'The old link, entered in error.'),
      outcome,
    ],
  },
  {
    code: 'record-application',
    title: 'Record an application',
    about: 'Evidence that a device was applied at a site, where nobody said to whom (yet).',
    resource: 'Device',
    levels: ['type'],
    takes: recordApplicationParameters,
    gives: [
      out('device', 'Device', 'The recorder.'),
      out('link', 'DeviceUseStatement', 'The link that answers for it, if there is one and the caller may see it.', 0),
      outcome,
    ],
  },
  {
    code: 'record-return',
    title: 'Record a return',
    about:
      'A worn device came back. A linked one ends its wear and gets its stubs; an unlinked one is held without a patient. A caller who may not see the link is told nothing of it.',
    resource: 'Device',
    levels: ['type'],
    takes: recordReturnParameters,
    gives: [
      out('link', 'DeviceUseStatement', 'The link that it ends.', 0),
      out('report', 'DiagnosticReport', 'Its stub report.', 0),
      out('observation', 'Observation', 'Its stub observation.', 0),
      out('gap', 'DetectedIssue', 'Where no link was found: the gap that it opens.', 0),
      outcome,
    ],
  },
  {
    code: 'acknowledge',
    title: 'Acknowledge a gap',
    about: 'Somebody has seen it. That is noted, and ends nothing.',
    resource: 'DetectedIssue',
    levels: ['instance'],
    takes: acknowledgeParameters,
    gives: [out('gap', 'DetectedIssue', 'The gap.'), outcome],
  },
  {
    code: 'resolve',
    title: 'Resolve a gap',
    about:
      'Somebody has decided what only a person can decide. Gaps that close by what is recorded are not closed by hand; which ones are, and by which action, the refusal tells.',
    resource: 'DetectedIssue',
    levels: ['instance'],
    takes: resolveParameters,
    gives: [out('gap', 'DetectedIssue', 'The gap.'), outcome],
  },
  {
    code: 'reconcile-day',
    title: 'Reconcile a day',
    about:
      'The end of day of a site: one MeasureReport, and a DetectedIssue for each gap. The same site, day and moment give the same answer, byte for byte, within a release. Nothing is stored.',
    levels: ['system'],
    reads: true,
    takes: reconcileDayParameters,
    gives: [out('return', 'Bundle', 'A collection.')],
  },
]

/** The value sets of the codes that a parameter takes. */
const bindings = new Map<readonly string[], string>([
  [linkEndReasons, 'link-end'],
  [evidences, 'evidence'],
  [notAppliedReasons, 'not-applied'],
  [mitigations, 'mitigation'],
])

const bindingOf = (name: string, { codes }: ParameterSpec): readonly string[] => {
  if (codes === undefined) return []
  const valueSet = bindings.get(codes)
  if (valueSet === undefined) throw new Error(`the codes of the parameter ${name} have no value set`)
  return ['binding.strength = #required', `binding.valueSet = ${quoted(`${home}/ValueSet/${valueSet}`)}`]
}

const maxOf = (max: number): string => (Number.isFinite(max) ? `${max}` : '*')

/** A parameter, and its parts below it; each line without the path of the parameter itself. */
const taken = (name: string, spec: ParameterSpec): readonly string[] => [
  `name = #${name}`,
  'use = #in',
  `min = ${spec.min}`,
  `max = ${quoted(maxOf(spec.max))}`,
  `documentation = ${quoted(spec.about)}`,
  ...(spec.parts === undefined ? [`type = #${spec.type}`] : []),
  ...bindingOf(name, spec),
  ...Object.entries(spec.parts ?? {}).flatMap(([part, of]) => below('part', taken(part, of))),
]

const given = ({ name, type, min, max, about }: Out): readonly string[] => [
  `name = #${name}`,
  'use = #out',
  `min = ${min}`,
  `max = ${quoted(maxOf(max))}`,
  `documentation = ${quoted(about)}`,
  `type = #${type}`,
]

/** The first line begins a new item of the list, the others belong to it. */
const below = (list: string, of: readonly string[]): readonly string[] =>
  of.map((line, i) => `${list}[${i === 0 ? '+' : '='}].${line}`)

const operationFsh = (o: Operation): string =>
  lines(
    [`Instance: ${o.code}`, 'InstanceOf: OperationDefinition', 'Usage: #definition'],
    `* url = ${quoted(ownOperation(o.code))}`,
    `* name = ${quoted(nameOf(o.code))}`,
    `* title = ${quoted(o.title)}`,
    ['* status = #active', '* kind = #operation', `* code = #${o.code}`],
    `* affectsState = ${o.reads !== true}`,
    `* description = ${quoted(o.about)}`,
    '* publisher = "Daybind"',
    o.resource === undefined ? [] : [`* resource = #${o.resource}`],
    (['system', 'type', 'instance'] as const).map((level) => `* ${level} = ${o.levels.includes(level)}`),
    [
      ...Object.entries(o.takes).flatMap(([name, spec]) => below('parameter', taken(name, spec))),
      ...o.gives.flatMap((each) => below('parameter', given(each))),
    ].map((line) => `* ${line}`),
  )

/** Every operation of ours that has a route. */
export const operationsFsh = (): string => operations.map(operationFsh).join('\n')
