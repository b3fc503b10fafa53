/** What the command needs: looks at the FHIR server of a source or reading service, and tells what it found. */
import type { Configuration } from '../model/configuration.ts'

export { examine } from './examine.ts'
export { examinedOf } from './examined.ts'
export { mustMend } from './findings.ts'
export { reportJson, reportText } from './report.ts'

/** Everybody who can be looked at. */
export const known = ({ sources, readingServices }: Configuration): string =>
  [...sources, ...readingServices].map(({ id }) => id).join(', ') || 'none'
