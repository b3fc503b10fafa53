/** What a caller is shown of resources that they may see. */
import { parseExactly, writeJson } from '../fhir/door/exact-numbers.ts'
import type { Tx } from './database.ts'
import { type Sight, visiblePatients } from './find-resources.ts'
import { resourceText, type StoredResource } from './resource-text.ts'

type DeviceShown = { patient?: { reference?: string } }

const patientOf = (device: DeviceShown): string | undefined => device.patient?.reference?.replace('Patient/', '')

/**
 * A device may be, or may have been, on another site's patient: that patient is shown to nobody who may not see them.
 * @returns the texts in the order of the rows
 */
export const shownTexts = async (tx: Tx, rows: readonly StoredResource[], sight: Sight): Promise<readonly string[]> => {
  const texts = rows.map(resourceText)
  if (sight === undefined || !rows.some((r) => r.type === 'Device')) return texts
  const devices = rows.map((r, i) => (r.type === 'Device' ? (parseExactly(texts[i] ?? '') as DeviceShown) : undefined))
  const seen = await visiblePatients(
    tx,
    devices.flatMap((d) => (d && patientOf(d)) ?? []),
    sight,
  )
  return texts.map((text, i) => {
    const device = devices[i]
    const patient = device && patientOf(device)
    if (device === undefined || patient === undefined || seen.has(patient)) return text
    const { patient: _hidden, ...rest } = device
    return writeJson(rest)
  })
}

export const shownText = async (tx: Tx, row: StoredResource, sight: Sight): Promise<string> =>
  (await shownTexts(tx, [row], sight))[0] ?? ''
