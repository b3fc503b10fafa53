/** What every rule is made of: what it finds, and the words and helpers that several rules share. */
import { v5 as uuidv5 } from 'uuid'
import type { Severity } from '../../../model/configuration.ts'
import type { GapCode, GapState, LinkState, Mitigation, State } from '../../../model/states.ts'
import { stands } from '../../apply-device/periods.ts'
import type { Facts, Watch } from '../day-facts.ts'

export interface GapRule {
  readonly code: GapCode
  readonly severity: Severity
  /** For the CodeSystem and the report. */
  readonly means: string
  /** The same as long as it is preliminary, where it is at first. */
  readonly meansYet?: string
  /** When it opens, and what closes it besides a person's word. */
  readonly opens: string
  readonly closes: string
  /** Whose turn it is. */
  readonly turn: 'clinic' | 'ordering clinic' | 'device desk'
  /** What to do next, in one sentence. */
  readonly next: string
  /** What a person may say to close it; all else closes by what is recorded. */
  readonly byHand: readonly Mitigation[]
  /** What has happened where the facts show it no more: it was answered in time, or rested on an error. */
  readonly gone: Mitigation | ((gap: GapState, facts: Facts) => Mitigation)
  readonly find: (facts: Facts, watch: Watch) => readonly Found[]
}

export interface Found extends Omit<GapState, 'kind' | 'id' | 'code' | 'restsOn' | 'acknowledged'> {
  /** By which the same trouble is known again. */
  readonly key: string
  /** When the newest of the trouble was told, where that is later than `since`: a word of before does not close it. */
  readonly newest?: string
  /** What it follows from: the facts that whoever doubts it should look at. */
  readonly restsOn: readonly State[]
}

/** Name space of gap ids: the same gap has the same id whoever finds it. */
const gapNames = uuidv5('https://daybind.example/gaps', uuidv5.URL)

export const gapId = (code: GapCode, key: string): string => uuidv5(`${code} ${key}`, gapNames)

export const mendedBy = (at: string | undefined, action: Mitigation) =>
  at === undefined ? {} : { mended: { at, action } }

export const first = <T>(list: readonly T[], key: (item: T) => string): T | undefined =>
  [...list].sort((a, b) => (key(a) < key(b) ? -1 : key(a) > key(b) ? 1 : 0))[0]

/** The first tied; the id decides between two of one moment, so that the order of the facts never does. */
export const byTie = (l: LinkState): string => `${l.tiedAt} ${l.id}`

export const last = <T>(list: readonly T[], key: (item: T) => string): T | undefined =>
  [...list].sort((a, b) => (key(a) < key(b) ? 1 : key(a) > key(b) ? -1 : 0))[0]

/** To whom a device was tied in the end; a gap of one site says nothing of another's patient. */
export const tiedTo = (link: LinkState | undefined, site: string | undefined) =>
  link !== undefined && link.site === site ? { orderId: link.orderId, linkId: link.id, patientId: link.patientId } : {}

export const standing = (facts: Facts): readonly LinkState[] => facts.links.filter(stands)

export const aboutLink = (l: LinkState) => ({
  site: l.site,
  day: l.day,
  orderId: l.orderId,
  deviceId: l.deviceId,
  linkId: l.id,
  patientId: l.patientId,
})

/** The person's word by which a gap was closed. */
export const closedByHand = (id: string, facts: Facts) =>
  facts.noted.find((g) => g.id === id && g.mended?.by !== undefined)?.mended
