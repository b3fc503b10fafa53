/** What a step hands over to be written. */
import type { Identity } from '../../flow/accept-order/incoming.ts'
import type { StepName } from '../../flow/steps.ts'
import type { Written } from './resource-rows.ts'

export interface Inbound {
  readonly route: string
  readonly body: string
}

/** A name of a resource, with whose name it is. */
export type OwnedName = Identity & { readonly owner: string; readonly id: string }

/** Names that resources have from now on, and names that they have no more. */
export interface Names {
  readonly given: readonly OwnedName[]
  readonly dropped: readonly OwnedName[]
}

export interface Writing extends Written {
  readonly step: StepName
  readonly names?: Names
  readonly inbound?: Inbound
}
