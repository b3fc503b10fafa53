/**
 * Has the reference validator judge the corpus and writes its verdicts down, for machines without it:
 * `FHIR_VALIDATOR=… node tests/adapters/door/agreement/judge.ts`.
 */
import { writeFileSync } from 'node:fs'
import { isError, type ValidatorIssue, validate } from '../../../support/validator.ts'
import { corpus, seed } from './corpus.ts'

/** What an error is called: the validator's own id, or the beginning of its words where it has none. */
const nameOf = ({ id, message }: ValidatorIssue): string =>
  (id ?? message)
    .replace(/^.*#/, '')
    .replace(/[^A-Za-z0-9_-].*$/, '')
    .slice(0, 60)

/** For each member of the corpus what its errors are called; none: it is taken. */
export const judge = async (): Promise<readonly (readonly string[])[]> => {
  const found = await validate(corpus.map(({ name, resource }) => ({ name, json: resource })))
  return corpus.map(({ name }) => [...new Set((found[name] ?? []).filter(isError).map(nameOf))].sort())
}

export const verdictsFile = new URL('verdicts.json', import.meta.url)

if (import.meta.main) {
  const lines = (await judge()).map((verdict) => JSON.stringify(verdict))
  writeFileSync(verdictsFile, `{"seed":${seed},"verdicts":[\n${lines.join(',\n')}\n]}\n`)
}
