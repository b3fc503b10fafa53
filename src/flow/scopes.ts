/**
 * What Daybind asks for at least, where the configuration names no scope: SMART App Launch 2.2.0, "Scopes for
 * requesting FHIR Resources", letters c r u d s in that order. Nothing is ever deleted.
 */
import type { Source } from '../model/configuration.ts'
import { evidenceOf } from './accept-order/evidence.ts'
import { keptTypes } from './accept-order/place.ts'
import { type Need, needsAtReadingService, needsAtSource } from './forward-order/write-plan.ts'

/** Looked for and read; made and changed where it is ours. */
const lettersFor = ({ does }: Need): string => (does === 'refer' ? 'rs' : 'crus')

const scopeOf = (letters: ReadonlyMap<string, string>): string =>
  [...letters]
    .map(([type, given]) => `system/${type}.${given}`)
    .toSorted()
    .join(' ')

const forNeeds = (needs: readonly Need[]): [string, string][] => needs.map((need) => [need.type, lettersFor(need)])

/** What comes along with an order is read, what is said of its visit looked for, and the recorder that is named there read. */
const polled = (source: Pick<Source, 'evidence'>): [string, string][] => {
  const evidence = evidenceOf(source)
  return [
    ...keptTypes.map((type): [string, string] => [type, evidence.some((e) => e === type) ? 'rs' : 'r']),
    ...(evidence.includes('Procedure') ? [['Device', 'r'] satisfies [string, string]] : []),
  ]
}

/** At an EHR: orders and patients are read with what they refer to, Subscriptions kept, links written back. */
export const sourceScope = (source: Pick<Source, 'poll' | 'subscribe' | 'writeBack' | 'evidence'>): string => {
  const { poll, subscribe, writeBack } = source
  return scopeOf(
    new Map([
      ...(poll === undefined ? [] : polled(source)),
      ...(poll === undefined || subscribe === false ? [] : [['Subscription', 'crus'] as const]),
      ...forNeeds(needsAtSource.filter(({ does }) => does === 'refer' || writeBack !== false)),
    ]),
  )
}

/** At an EHR in which somebody is told of gaps: made once, looked for, never changed. */
export const alertScope = scopeOf(new Map(['Communication', 'Task'].map((type): [string, string] => [type, 'crs'])))

/** At a reading service: everything that a linked order is made of, and their answers. */
export const readingServiceScope = scopeOf(new Map(forNeeds(needsAtReadingService)))
