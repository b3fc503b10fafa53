/**
 * The states of what Daybind knows, as plain values. Each fact in the journal carries the state of what it concerns
 * after it, so that the state as of any moment is the last fact recorded up to then.
 * All moments are ISO 8601 in UTC with microseconds unless they are marked "as written".
 */
import type { Binary, DiagnosticReport, Media, Observation, Reference } from 'fhir/r4.js'
import type { Coding, SystemValue } from './configuration.ts'

export type Instant = string

/** One order, once for each (source, placer number). */
export interface OrderState {
  readonly kind: 'order'
  readonly id: string
  readonly source: string
  readonly placer: SystemValue
  readonly site: string
  readonly patientId: string
  readonly status: string
  readonly intent: string
  readonly codes: readonly Coding[]
  /** The local day that the order itself names, `YYYY-MM-DD`; absent when it names no time. */
  readonly orderedDay?: string
  /** The local day on which the visit is expected: the ordered day, or the new date that people agreed. */
  readonly visitDay?: string
  /** ISO 8601 duration of the wear period asked for. */
  readonly wear: string
  /** Written by a clinic itself, for example from a paper referral. */
  readonly byHand: boolean
  readonly acceptedAt: Instant
  /** When we learned that the order was revoked or entered in error. */
  readonly revokedAt?: Instant
  /** When we learned that its source names another day than before. */
  readonly dayToldAt?: Instant
  /** When we learned that it is completed, having known it before. */
  readonly completedAt?: Instant
  /** When we learned that it asks for nothing now and is not revoked: on hold, a draft, or of unknown status. */
  readonly idleSince?: Instant
  readonly notApplied?: NotApplied
  /** All that people said of visits without a recorder, the newest last, whatever became of the order's day since. */
  readonly saidNotApplied?: readonly NotApplied[]
  readonly content: Content
}

/** No recorder was fitted at a visit, and why. */
export interface NotApplied {
  readonly reason: string
  /** The day that it is about; absent where no visit was expected on any. */
  readonly day?: string
  readonly recordedAt: Instant
  readonly newDate?: string
  readonly note?: string
}

/** How a resource of somebody else's stands with us. */
export interface Content {
  /** Hash of the content without what two copies may differ in. */
  readonly digest: string
  /** `meta.lastUpdated` and `meta.versionId` as the source wrote them. */
  readonly datedAt?: string
  readonly sourceVersion?: string
}

export interface PatientState {
  readonly kind: 'patient'
  readonly id: string
  readonly source: string
  /** Where its source's server has it. */
  readonly address?: string
  readonly content: Content
}

/** What a source says of an order's visit by another resource than the order. */
export interface Said {
  /** A recorder was applied; the visit is not, or was not; or it is on that day. */
  readonly what: 'applied' | 'not' | 'visit'
  /** When it was applied. */
  readonly at?: Instant
  /** The local day at the site. */
  readonly day: string
  readonly site: string
  /** The recorder, where it names one that can be told. */
  readonly deviceId?: string
  /** Since when we know it. */
  readonly recordedAt: Instant
}

/** Any other resource that we keep for a source: readable, and acted on only where it says something of a visit. */
export interface KeptState {
  readonly kind: 'kept'
  readonly id: string
  readonly source: string
  readonly type: string
  readonly orderId?: string
  /** The name of the order that it is about, as long as we do not know that order. */
  readonly awaits?: string
  readonly says?: Said
  readonly content: Content
}

/** One recorder: device identifier and serial number. */
export interface DeviceState {
  readonly kind: 'device'
  readonly id: string
  readonly deviceIdentifier: string
  readonly serialNumber: string
  readonly issuer: 'gs1' | 'hibcc' | 'iccbba'
  readonly entryType: 'barcode' | 'manual'
  /** The scanned string, exactly; absent when typed. */
  readonly carrier?: string
  readonly humanReadable?: string
  readonly lotNumber?: string
  readonly manufactureDate?: string
  readonly expirationDate?: string
  /** Only a source has named it; nobody here has had it in hand. */
  readonly toldOnly?: true
  /** To whom it is tied now. */
  readonly patientId?: string
}

/** Why it is doubtful, after the link, that the order's patient is who wears the recorder. */
export type DoubtCause = 'merged' | 'unmerged' | 'successor-unknown' | 'inactive' | 'changed'

/** Something that a source said of the patient after the link, and that a person has to look at. */
export interface IdentityDoubt {
  readonly id: string
  readonly at: Instant
  readonly why: DoubtCause
  /** The kinds of identifier that changed: `birth date`. */
  readonly kinds?: readonly string[]
}

export type LinkEndReason = 'removed' | 'failed' | 'lost' | 'replaced'

/** A device tied to a patient for a period. */
export interface LinkState {
  readonly kind: 'link'
  readonly id: string
  readonly orderId: string
  readonly deviceId: string
  readonly patientId: string
  readonly site: string
  readonly status: 'active' | 'completed' | 'stopped' | 'entered-in-error'
  readonly appliedAt: Instant
  /** As written at the bedside, with its offset. */
  readonly appliedAtWritten: string
  /** The local day of `appliedAt` at the site. */
  readonly day: string
  /** The moment that counts for "in time": when this device was first tied to this patient. */
  readonly tiedAt: Instant
  readonly recordedAt: Instant
  readonly endedAt?: Instant
  /** As it was stated, with its offset: as the end, as what the return said, or as when it came back. */
  readonly endedAtWritten?: string
  readonly endReason?: LinkEndReason
  /** The end was not stated; it is when the device came back. */
  readonly endAssumed?: boolean
  readonly endNote?: string
  readonly performer?: Reference
  readonly bodySite?: unknown
  readonly deviceClock?: string
  /** Seconds, recorder minus true, at switch-on. */
  readonly clockOffset?: number
  /** Expiry date of the device as scanned at this application. */
  readonly expirationDate?: string
  readonly procedureId: string
  readonly replaces?: string
  readonly correction?: string
  readonly recordedBy: string
  readonly returned?: boolean
  /** From when on the recorder is missed: wear, or its end, and transit are over. */
  readonly returnDue?: Instant
  /** The local day of that moment at the site. */
  readonly returnDueDay?: string
  /** The records of this patient that the source replaced while they were the link's, the first one first. */
  readonly mergedFrom?: readonly string[]
  /** In the order of their moments. */
  readonly doubts?: readonly IdentityDoubt[]
}

/** Evidence that a device was applied at a site, patient not (yet) stated. */
export interface ApplicationState {
  readonly kind: 'application'
  readonly id: string
  readonly deviceId: string
  readonly site: string
  readonly appliedAt: Instant
  readonly day: string
  readonly evidence: 'capture' | 'activation' | 'stock'
  readonly recordedAt: Instant
  readonly recordedBy: string
}

/** A link that was refused although the patient was right, because the device is on another one. */
export interface ConflictState {
  readonly kind: 'conflict'
  readonly id: string
  readonly deviceId: string
  /** The order that was to be linked, and its patient. */
  readonly orderId: string
  readonly patientId: string
  readonly site: string
  readonly appliedAt: Instant
  readonly day: string
  readonly recordedAt: Instant
  readonly recordedBy: string
}

/** A worn device that came back. */
export interface ReturnState {
  readonly kind: 'return'
  readonly id: string
  readonly deviceId: string
  readonly linkId?: string
  readonly orderId?: string
  /** Absent: nobody could tell to which site it belongs. */
  readonly site?: string
  readonly receivedAt: Instant
  /** As stated, with its offset. */
  readonly receivedAtWritten?: string
  readonly recordedAt: Instant
  readonly wornUntil?: Instant
  readonly wornUntilWritten?: string
  readonly condition?: unknown
  readonly readAt?: string
  readonly deviceClock?: string
  readonly marks: readonly string[]
  readonly diary: readonly unknown[]
  readonly recordedBy: string
}

/** The work that a reading service is asked to do for one link. */
export interface TaskState {
  readonly kind: 'task'
  readonly id: string
  readonly linkId: string
  readonly orderId: string
  readonly patientId: string
  readonly site: string
  readonly readingService: string
  /** To read the recording, or to stop doing so. */
  readonly asks: 'fulfill' | 'abort'
  /** The Task that an `abort` is about. */
  readonly about?: string
  readonly status: string
  readonly authoredAt: Instant
  readonly modifiedAt: Instant
  /** Before which the reading service should have accepted it; of an `abort` nobody waits. */
  readonly acceptDue?: Instant
  /** The local day of that moment at the site. */
  readonly acceptDueDay?: string
  readonly acceptedAt?: Instant
  readonly statusReason?: unknown
  readonly businessStatus?: unknown
  readonly output?: unknown
  readonly note?: unknown
}

/**
 * Observation and DiagnosticReport of one link: registered and without a value when the recorder has come back, the
 * reading service's words in their place as soon as it has reported.
 */
export interface StubState {
  readonly kind: 'stub'
  /** Of the DiagnosticReport. */
  readonly id: string
  readonly observationId: string
  readonly linkId: string
  readonly orderId: string
  readonly deviceId: string
  readonly patientId: string
  readonly site: string
  readonly status: 'registered' | 'entered-in-error'
  readonly from: Instant
  readonly until: Instant
  /** As stated, with their offsets. */
  readonly fromWritten?: string
  readonly untilWritten?: string
  readonly recordedAt: Instant
  /** From when on a report is missing; absent where nothing was read out yet. */
  readonly reportDue?: Instant
  /** The local day of that moment at the site. */
  readonly reportDueDay?: string
  readonly report?: ReportContent
}

/** A resource that came along with a report. */
export interface ReportResult {
  /** The stub's own Observation keeps its id. */
  readonly id: string
  /** By which a later version of the report means the same one: its identifier, else its place. */
  readonly key: string
  readonly resource: Observation | Media | Binary
  /** It was in an earlier version of the report and is not any more. */
  readonly withdrawn?: true
}

/** What a reading service reported, in its own words; patient, order and device are ours. */
export interface ReportContent {
  readonly by: string
  readonly firstAt: Instant
  readonly receivedAt: Instant
  /** When it was first final, or cancelled: nobody waits for it any more. */
  readonly completedAt?: Instant
  /** The order had been revoked when it came. */
  readonly afterRevocation?: true
  /** Without `id`, `subject`, `basedOn` and `result`. */
  readonly words: DiagnosticReport
  /** In the order of the report. */
  readonly results: readonly ReportResult[]
}

/** A report that disagrees with what it names, or asks for no order: kept as it came, and in nobody's record. */
export interface HeldState {
  readonly kind: 'held'
  readonly id: string
  readonly readingService: string
  readonly orderId?: string
  readonly linkId?: string
  readonly deviceId?: string
  readonly patientId?: string
  readonly site?: string
  /** The local day at the site on which it first came. */
  readonly day?: string
  /** What speaks against it, each as part of a sentence. */
  readonly doubts: readonly string[]
  readonly firstAt: Instant
  readonly receivedAt: Instant
  /** When a report that agrees took its place. */
  readonly settledAt?: Instant
  readonly words: DiagnosticReport
}

export type GapCode =
  | 'no-link'
  | 'late-link'
  | 'no-application'
  | 'return-without-patient'
  | 'revoked-while-worn'
  | 'identity-doubt'
  | 'expired-device'
  | 'clock-doubt'
  | 'report-doubt'
  | 'overdue-report'
  | 'device-on-two-patients'
  | 'patient-with-two-devices'
  | 'link-without-order'
  | 'not-taken'
  | 'overdue-return'

/** Something that should be there and is not. */
export interface GapState {
  readonly kind: 'gap'
  readonly id: string
  readonly code: GapCode
  readonly site?: string
  /** The local day to whose evening it belongs. */
  readonly day: string
  readonly status: 'preliminary' | 'final'
  readonly since: Instant
  readonly orderId?: string
  readonly deviceId?: string
  readonly linkId?: string
  readonly patientId?: string
  /** The other link, where it is at the same site: a gap of one site says nothing of another's link. */
  readonly otherLinkId?: string
  /** What it follows from; gaps that an older release noted do not say. */
  readonly restsOn?: readonly Evidence[]
  /** What was found, as part of a sentence: `expired 2026-10-24`. */
  readonly found?: string
  readonly cause?: string
  readonly mended?: Mended
  /** Who has seen it; the first one first. */
  readonly acknowledged?: readonly Acknowledged[]
  /** The gap that was closed before the same trouble came again. */
  readonly reopens?: string
}

/** A state that a gap follows from. */
export interface Evidence {
  readonly kind: Kind
  readonly id: string
  /** Of what a source said: the type of the resource that says it. */
  readonly type?: string
  /** Of the fact in the journal by which it came to be what it was then. */
  readonly fact?: number
  /** It is at another site: that is all that is told of it. */
  readonly elsewhere?: true
}

export interface Mended {
  readonly at: Instant
  readonly action: Mitigation
  /** The caller, where a person closed it; absent where the facts did. */
  readonly by?: string
  readonly note?: string
}

export interface Acknowledged {
  readonly at: Instant
  readonly by: string
  readonly note?: string
}

export type Mitigation = 'linked' | 'returned' | 'cancelled' | 'confirmed' | 'rescheduled'

export type State =
  | OrderState
  | PatientState
  | KeptState
  | DeviceState
  | LinkState
  | ApplicationState
  | ConflictState
  | ReturnState
  | TaskState
  | StubState
  | HeldState
  | GapState

export type Kind = State['kind']

/** Those of one kind. */
export const ofKind = <K extends State['kind']>(states: readonly State[], kind: K) =>
  states.filter((s): s is Extract<State, { kind: K }> => s.kind === kind)
