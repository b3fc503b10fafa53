/** Somebody who takes alerts to a recipient, by whatever way. */
import type { Trouble } from '../../flow/forward-order/retry.ts'

export interface AlertToSend {
  /** Of the delivery; the same at each attempt. */
  readonly id: string
  /** An alert as JSON (`flow/watch-flow/alerts/message.ts`). */
  readonly body: string
  readonly requestId: string
  /** Counts from 1. */
  readonly attempt: number
  /** It may be there from an attempt before. */
  readonly repeats?: boolean
}

export type AlertSent =
  /** `taken`: the recipient has it; `sent`: whoever passes it on has it. */
  | { readonly arrived: true; readonly fate: 'sent' | 'taken' }
  | {
      readonly arrived: false
      readonly trouble: Trouble
      readonly mayBeThere: boolean
      /** They want nothing more. */
      readonly gone?: true
    }

export interface Messenger {
  /** So many alerts go side by side. */
  readonly connections: number
  /** Does the work when there is room for it. */
  inTurn<T>(work: () => Promise<T>): Promise<T>
  send(alert: AlertToSend): Promise<AlertSent>
  /** Breaks off what is under way. */
  breakOff(): void
  close(): Promise<void>
}
