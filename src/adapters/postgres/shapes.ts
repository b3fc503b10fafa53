/** How a state lies in its table and in the journal, and which resources the world reads of it. */
import type { FhirResource } from 'fhir/r4.js'
import { detectedIssue } from '../../flow/watch-flow/detected-issue.ts'
import { deviceResource, linkResource, procedureResource, taskResource } from '../../model/resources/link-resources.ts'
import { heldReport, stubResources } from '../../model/resources/report-resources.ts'
import type { Kind, State } from '../../model/states.ts'

export interface Keys {
  readonly order_id?: string | undefined
  readonly device_id?: string | undefined
  readonly site?: string | undefined
  readonly day?: string | undefined
  /** On which something of it becomes overdue: an evening finds it by that day too. */
  readonly due_day?: string | undefined
  /** Of links: whose other links matter. */
  readonly patient_id?: string | undefined
}

/** By which the journal is searched. */
export const keysOf = (s: State): Keys => {
  switch (s.kind) {
    case 'order':
      return { order_id: s.id, site: s.site, day: s.visitDay }
    case 'patient':
      return {}
    case 'kept':
      return { order_id: s.orderId, device_id: s.says?.deviceId, site: s.says?.site, day: s.says?.day }
    case 'device':
      return { device_id: s.id }
    case 'link':
      return {
        order_id: s.orderId,
        device_id: s.deviceId,
        patient_id: s.patientId,
        site: s.site,
        day: s.day,
        due_day: s.returnDueDay,
      }
    case 'conflict':
      return { order_id: s.orderId, device_id: s.deviceId, site: s.site, day: s.day }
    case 'application':
      return { device_id: s.deviceId, site: s.site, day: s.day }
    case 'return':
      return { order_id: s.orderId, device_id: s.deviceId, site: s.site }
    case 'task':
      return { order_id: s.orderId, site: s.site, due_day: s.acceptDueDay }
    case 'stub':
      return { order_id: s.orderId, device_id: s.deviceId, site: s.site, due_day: s.reportDueDay }
    case 'held':
      return { order_id: s.orderId, device_id: s.deviceId, site: s.site, day: s.day }
    case 'gap':
      return { order_id: s.orderId, device_id: s.deviceId, site: s.site, day: s.day }
  }
}

export interface Table {
  readonly name: string
  /** Column → SQL type; `id` and `state` are in all of them. */
  readonly columns: Readonly<Record<string, string>>
}

export const tables: Readonly<Record<Kind, Table>> = {
  order: { name: 'orders', columns: { site: 'text', visit_day: 'date' } },
  patient: { name: 'patients', columns: {} },
  kept: { name: 'kept', columns: { order_id: 'uuid', device_id: 'uuid', awaits: 'text' } },
  device: { name: 'devices', columns: { device_identifier: 'text', serial_number: 'text' } },
  link: {
    name: 'links',
    columns: {
      order_id: 'uuid',
      device_id: 'uuid',
      patient_id: 'uuid',
      site: 'text',
      day: 'date',
      active: 'boolean',
      period: 'tstzrange',
    },
  },
  conflict: { name: 'conflicts', columns: { order_id: 'uuid', device_id: 'uuid', site: 'text', day: 'date' } },
  application: { name: 'applications', columns: { device_id: 'uuid', site: 'text', day: 'date' } },
  return: { name: 'returns', columns: { device_id: 'uuid', order_id: 'uuid' } },
  task: { name: 'tasks', columns: { order_id: 'uuid', link_id: 'uuid' } },
  stub: { name: 'stubs', columns: { order_id: 'uuid', link_id: 'uuid' } },
  held: { name: 'held_reports', columns: { order_id: 'uuid' } },
  gap: { name: 'gaps', columns: { site: 'text', day: 'date', order_id: 'uuid', device_id: 'uuid', open: 'boolean' } },
}

/** The row of a state, ready for `jsonb_to_recordset`. */
export const rowOf = (s: State): Record<string, unknown> => ({
  ...keysOf(s),
  id: s.id,
  state: s,
  ...(s.kind === 'order' && { visit_day: s.visitDay }),
  ...(s.kind === 'kept' && { awaits: s.awaits }),
  ...(s.kind === 'device' && { device_identifier: s.deviceIdentifier, serial_number: s.serialNumber }),
  ...(s.kind === 'link' && {
    active: s.status !== 'entered-in-error',
    period: `["${s.appliedAt}",${s.endedAt === undefined ? '' : `"${s.endedAt}"`})`,
  }),
  ...((s.kind === 'task' || s.kind === 'stub') && { link_id: s.linkId }),
  ...(s.kind === 'gap' && { open: s.mended === undefined }),
})

export const sourceToken = (id: string): string => `source:${id}`
export const siteToken = (id: string): string => `site:${id}`
export const readerToken = (id: string): string => `reader:${id}`

/** What belongs to no site that could be told is shown to all. */
export const anySite = siteToken('?')

/** Who may read it, besides the operator. `order`: whoever may read the order; `clinic`: these, but no reading service. */
export interface Scope {
  readonly own: readonly string[]
  readonly inherits: 'order' | 'clinic' | 'nothing'
  readonly orderId?: string | undefined
}

export const scopeOf = (s: State): Scope => {
  switch (s.kind) {
    case 'order':
      return { own: [sourceToken(s.source), siteToken(s.site)], inherits: 'nothing' }
    case 'patient':
      return { own: [sourceToken(s.source)], inherits: 'nothing' }
    case 'kept':
      return { own: [sourceToken(s.source)], inherits: 'clinic', orderId: s.orderId }
    case 'device':
      return { own: [], inherits: 'nothing' }
    case 'link':
    case 'stub':
      return { own: [siteToken(s.site)], inherits: 'order', orderId: s.orderId }
    case 'task':
      // the work of one reading service is nothing of another's to which the order was sent too
      return { own: [siteToken(s.site), readerToken(s.readingService)], inherits: 'clinic', orderId: s.orderId }
    case 'held':
      // nothing that is in doubt is in anybody's record: it is its sender's and the operator's
      return { own: [readerToken(s.readingService)], inherits: 'nothing' }
    case 'application':
    case 'conflict':
    case 'return':
      return { own: [s.site === undefined ? anySite : siteToken(s.site)], inherits: 'nothing' }
    case 'gap':
      return { own: [s.site === undefined ? anySite : siteToken(s.site)], inherits: 'clinic', orderId: s.orderId }
  }
}

/** What is read of a state; of somebody else's words the words themselves. */
export const resourcesOf = (s: State, content: FhirResource | undefined): readonly FhirResource[] => {
  switch (s.kind) {
    case 'device':
      return [deviceResource(s)]
    case 'link':
      return [linkResource(s), procedureResource(s)]
    case 'task':
      return [taskResource(s)]
    case 'stub':
      return stubResources(s)
    case 'held':
      return [heldReport(s)]
    case 'gap':
      return [detectedIssue(s)]
    default:
      return content === undefined ? [] : [{ ...content, id: s.id }]
  }
}
