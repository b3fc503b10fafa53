/** Small pieces that several resources share. */
import type { Identifier, Reference } from 'fhir/r4.js'
import type { Instant } from '../states.ts'
import { identifierSystems, systems } from '../systems.ts'

export type OwnType = keyof typeof identifierSystems

/** The name by which peers may find a resource of ours again. */
export const ownIdentifier = (type: OwnType, id: string): Identifier => ({ system: identifierSystems[type], value: id })

export const to = (type: string, id: string): Reference => ({ reference: `${type}/${id}` })

/** Milliseconds are what peers can be relied on to keep. */
export const shown = (instant: Instant): string => `${instant.slice(0, 23)}Z`

export const logical = (type: string, system: string, value: string, display?: string): Reference => ({
  type,
  identifier: { system, value },
  ...(display !== undefined && { display }),
})

export const readingService = (id: string): Reference => logical('Organization', systems.readingServices, id)

/** Ourselves, as we appear in what we write. */
export const daybind = logical('Device', 'urn:ietf:rfc:3986', 'https://daybind.example', 'Daybind')
