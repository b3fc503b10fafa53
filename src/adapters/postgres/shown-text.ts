/** What a caller is shown of a resource that they may see. */
import { parseExactly, writeJson } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { readResource, type Sight } from './find-resources.ts'
import { resourceText, type StoredResource } from './resource-text.ts'

/** A device may be on another site's patient: that patient is shown to nobody who may not see them. */
export const shownText = async (tx: Tx, row: StoredResource, sight: Sight): Promise<string> => {
  const text = resourceText(row)
  if (row.type !== 'Device' || sight === undefined) return text
  const device = parseExactly(text) as { patient?: { reference?: string } }
  const patient = device.patient?.reference?.replace('Patient/', '')
  if (patient === undefined || (await readResource(tx, 'Patient', patient, sight))) return text
  const { patient: _hidden, ...rest } = device
  return writeJson(rest)
}
