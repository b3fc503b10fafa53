/** $record-application: evidence that a device was applied at a site, patient not (yet) stated. */
import { localDateOf } from '../../model/local-day.ts'
import type { ParameterTable, ReadParameters } from '../../model/parameters.ts'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { ApplicationState, DeviceState, LinkState } from '../../model/states.ts'
import { type Context, type Decision, unchanged } from '../step.ts'
import { deviceParameters } from './device-claim.ts'
import { captureParameters, siteNamed } from './link-device.ts'
import { statedMoment } from './moments.ts'
import { contains, stands } from './periods.ts'

export const evidences = ['capture', 'activation', 'stock'] as const

export const recordApplicationParameters = {
  ...deviceParameters,
  appliedAt: { type: 'dateTime', min: 1, max: 1, about: 'When the device was applied, with offset.' },
  site: { type: 'Identifier', min: 1, max: 1, about: 'Where.' },
  evidence: { type: 'code', min: 1, max: 1, about: 'How it is known; stock opens no gap.', codes: evidences },
  ...captureParameters,
} as const satisfies ParameterTable

export interface ApplicationSituation {
  readonly device: DeviceState
  readonly links: readonly LinkState[]
  readonly applications: readonly ApplicationState[]
}

export interface RecordedApplication {
  readonly deviceId: string
  readonly linkId?: string
}

/**
 * A link answers for an application when its wear contains the moment, or both lie on one local day of the site. A wear
 * that was over by then answers for nothing: the recorder may be on the next patient.
 */
export const answersFor = (
  link: LinkState,
  a: Pick<ApplicationState, 'deviceId' | 'site' | 'day' | 'appliedAt'>,
): boolean =>
  stands(link) &&
  link.deviceId === a.deviceId &&
  (link.endedAt === undefined || link.endedAt > a.appliedAt) &&
  (contains(link, a.appliedAt) || (link.site === a.site && link.day === a.day))

export const recordApplication = (
  p: ReadParameters<typeof recordApplicationParameters>,
  s: ApplicationSituation,
  ctx: Context,
): Checked<Decision<RecordedApplication>> => {
  const [given, how] = [p.appliedAt[0], p.evidence[0]]
  if (given === undefined || how === undefined) return refuse([refusal('missing-parameter', 'Parameters.parameter')])
  const [appliedAt, site] = [statedMoment(given, ctx), siteNamed(p, undefined, ctx)]
  if (!appliedAt.ok || !site.ok) return refuse(problemsOf(appliedAt, site))
  const state: ApplicationState = {
    kind: 'application',
    id: ctx.newId(),
    deviceId: s.device.id,
    site: site.value.id,
    appliedAt: appliedAt.value.instant,
    day: localDateOf(appliedAt.value.ms, site.value.timeZone),
    evidence: how.value as ApplicationState['evidence'],
    recordedAt: ctx.now,
    recordedBy: ctx.caller.id,
  }
  const link = s.links.find((l) => answersFor(l, state))
  const answer = { deviceId: s.device.id, ...(link && { linkId: link.id }) }
  const known = s.applications.some(
    (a) => a.appliedAt === state.appliedAt && a.site === state.site && a.evidence === state.evidence,
  )
  if (known) return accept(unchanged(answer))
  return accept({
    changes: [
      { fact: 'device-seen', state: s.device, occurredAt: state.appliedAt },
      { fact: 'device-applied', state, occurredAt: state.appliedAt },
    ],
    answer,
    warnings: [],
  })
}
