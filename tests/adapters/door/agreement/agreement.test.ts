/** Whether a resource is taken or refused: our check of R4 and the reference validator, over one corpus. */
import { readFileSync } from 'node:fs'
import { describe, expect, it } from 'vitest'
import { checkResource } from '../../../../src/adapters/fhir/door/check-resource.ts'
import { noValidator } from '../../../support/validator.ts'
import { corpus, seed } from './corpus.ts'
import { differences } from './differences.ts'
import { judge, verdictsFile } from './judge.ts'
import { kinds } from './mutants.ts'

const stored = JSON.parse(readFileSync(verdictsFile, 'utf8')) as {
  seed: number
  verdicts: readonly (readonly string[])[]
}

const compared = corpus.map((member, i) => {
  const theirs = stored.verdicts[i] ?? ['not judged']
  const ours = checkResource(member.resource).map(({ code, at }) => `${code} ${at[0]}`)
  return { ...member, ours, theirs }
})

const isDifferent = ({ ours, theirs }: (typeof compared)[number]): boolean => ours.length > 0 !== theirs.length > 0

describe('our verdict and that of the reference validator', () => {
  it('are about the same corpus: every kind of mutant, and at least 1,000 of them', () => {
    expect(stored.seed).toBe(seed)
    expect(stored.verdicts).toHaveLength(corpus.length)
    const made = new Set(corpus.map(({ kind }) => kind))
    expect(kinds.filter(({ name }) => !made.has(name))).toEqual([])
    expect(corpus.filter(({ kind }) => kind !== 'as published').length).toBeGreaterThanOrEqual(1_000)
    const refused = stored.verdicts.filter((v) => v.length > 0).length
    expect([refused > 500, corpus.length - refused > 200]).toEqual([true, true])
  })

  it('differ nowhere without a reason', () => {
    const unexplained = compared
      .filter(isDifferent)
      .filter((c) => !differences.some(({ covers }) => covers(c)))
      .map(({ name, kind, path, ours, theirs }) => `${name}: ${kind} at ${path}: ours ${ours}; theirs ${theirs}`)
    expect(unexplained).toEqual([])
  })

  it.each(differences)('differ where it is said: $reason', ({ covers }) => {
    expect(compared.filter(isDifferent).filter(covers).length).toBeGreaterThan(0)
  })

  it('are those of the validator that is here', async (context) => {
    if (noValidator !== undefined) return context.skip(noValidator)
    expect(await judge()).toEqual(stored.verdicts)
  }, 1_200_000)
})
