/** What people and systems do in the story; `perform.ts` does it. */
import type { RefusalCode } from '../src/model/problems.ts'
import type { PagerId } from './pager.ts'
import type { SiteId, SourceId } from './people.ts'
import type { Capture } from './recorders.ts'

export type Place = SiteId | 'pebble'

export interface Linking {
  readonly do: 'link'
  readonly order: string
  /** Serial number. */
  readonly recorder: string
  readonly how: Capture
  /** When it was switched on, local time; absent: two minutes before it is recorded. */
  readonly on?: string
  /** `on` is a time of the day before. */
  readonly yesterday?: true
  /** As the patient states it, where that is not what the order's patient has. */
  readonly birthDate?: string
  /** Hours that the recorder's own clock is ahead. */
  readonly clockAhead?: number
  readonly expired?: true
  /** The same call arrives twice. */
  readonly twice?: true
  /** Refused with exactly these codes; absent: a link is made. */
  readonly refused?: readonly RefusalCode[]
  /** Warned of exactly these; absent: of nothing. */
  readonly warned?: readonly RefusalCode[]
}

export type Deed =
  /** All orders of the source for a day: as one transaction, or as a batch in which each stands for itself. */
  | {
      readonly do: 'send-list'
      readonly source: SourceId
      readonly of: 'week-before' | 'day'
      readonly as: 'transaction' | 'batch'
    }
  /** The same message again. */
  | { readonly do: 'send-again'; readonly order: string }
  | { readonly do: 'make-urgent'; readonly order: string }
  | { readonly do: 'revoke'; readonly order: string }
  | Linking
  /** A recorder is seen to be switched on; nobody says on whom. */
  | { readonly do: 'see-applied'; readonly recorder: string; readonly how: Capture }
  | { readonly do: 'record-not-applied'; readonly order: string; readonly reason: 'no-show' | 'rescheduled' }
  | { readonly do: 'end-link'; readonly recorder: string; readonly at: string; readonly reason: 'replaced' }
  | {
      readonly do: 'return'
      readonly recorder: string
      readonly how: Capture
      /** Local time on the day before at which it came off. */
      readonly wornUntil?: string
      /** Linked to nobody. */
      readonly unknown?: true
    }
  /** The reading service is switched off, and on again. */
  | { readonly do: 'go-down' }
  | { readonly do: 'come-back' }
  /** The next transaction is stored there, and its answer is lost on the way. */
  | { readonly do: 'lose-next-answer' }
  /** It accepts all work that it was asked for. */
  | { readonly do: 'accept-work' }
  /** The evening that the service has issued by itself. */
  | { readonly do: 'evening'; readonly moment: 'cut-off' | 'day-end' }
  /** An alert has come; it names these gaps, each as `no-link TR-30109`, and no others. */
  | { readonly do: 'alert'; readonly to: PagerId; readonly gaps: readonly string[] }
  /** The report of the day as of its cut-off and as of now, side by side. */
  | { readonly do: 'compare-evening' }

export interface Happening {
  readonly on: 'week-before' | 'day' | 'day-after'
  /** Local time of the place, `HH:mm`; `24:00` is the end of the day. */
  readonly at: string
  readonly place: Place
  /** One or two lines that a nurse and an engineer both understand. */
  readonly tells: string
  readonly deed: Deed
}
