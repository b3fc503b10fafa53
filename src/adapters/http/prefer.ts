/** The header Prefer (RFC 7240): what is not known in it is passed over, and the first of two that differ holds. */
import type { Checked } from '../../model/problems.ts'
import { writeJson } from '../fhir/door/exact-numbers.ts'
import { operationOutcome } from '../fhir/outcome.ts'
import type { Tx } from '../postgres/database.ts'
import { readResources } from '../postgres/find-resources.ts'
import { resourceText } from '../postgres/resource-text.ts'
import type { Told } from '../postgres/run-step.ts'
import { type Call, problemReply, type Reply } from './call.ts'

/** The value of a preference, in lower case. */
export const preference = (header: string | undefined, name: string): string | undefined => {
  for (const part of (header ?? '').split(',')) {
    const [, key, value = ''] = /^\s*([\w-]+)\s*(?:=\s*"?([^";]*)"?\s*)?(?:;.*)?$/.exec(part) ?? []
    if (key?.toLowerCase() === name) return value.trim().toLowerCase()
  }
  return undefined
}

export const isStrict = (call: Call): boolean => preference(call.header('prefer'), 'handling') === 'strict'

/** What a write answers: R4, http.html, "Managing Return Content". Absent: the usual. */
export type Return = 'minimal' | 'representation' | 'operationoutcome'

export const returnAsked = (call: Call): Return | undefined => {
  const asked = preference(call.header('prefer'), 'return')
  return asked === 'minimal' || asked === 'representation' || asked === 'operationoutcome' ? asked : undefined
}

/** Whether the answer to a write of one resource holds it, and with it its id. */
export const showsResource = (call: Call): boolean => ['representation', undefined].includes(returnAsked(call))

/** The answer to a write of one resource: as told, unless the caller prefers nothing or what there was to say. */
export const writtenReply = (call: Call, told: Checked<Told>): Reply => {
  if (!told.ok) return problemReply(told.problems)
  const asked = returnAsked(call)
  if (asked === 'operationoutcome') return { ...told.value, body: writeJson(operationOutcome(told.warnings)) }
  if (asked !== 'minimal') return told.value
  const { body: _body, ...rest } = told.value
  return rest
}

/** The entries of an answer, each with the resource as it was written; they begin as every object does, with a brace. */
export const withResources = async (
  tx: Tx,
  answers: readonly { readonly type: string; readonly id: string }[],
  entries: readonly string[],
): Promise<readonly string[]> => {
  const rows = await readResources(
    tx,
    answers.map((a) => `${a.type}/${a.id}`),
    undefined,
  )
  const texts = new Map(rows.map((row) => [`${row.type}/${row.id}`, resourceText(row)]))
  return answers.map((a, i) => {
    const text = texts.get(`${a.type}/${a.id}`)
    const entry = entries[i] ?? ''
    return text === undefined ? entry : `{"resource":${text},${entry.slice(1)}`
  })
}
