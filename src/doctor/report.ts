/** The findings for people and for programs. */
import type { Examined } from './examined.ts'
import { type Finding, mustMend } from './findings.ts'

const indent = ' '.repeat(22)

const lines = ({ level, check, says, means, do: todo }: Finding): readonly string[] => [
  `${level.padEnd(5)} ${check.padEnd(15)} ${says}`,
  ...(means === '' ? [] : [`${indent}${means}`]),
  ...(todo === 'Nothing.' ? [] : [`${indent}→ ${todo}`]),
]

const count = (findings: readonly Finding[], level: Finding['level']): number =>
  findings.filter((f) => f.level === level).length

const verdict = (findings: readonly Finding[]): string => {
  const [mend, odd] = [count(findings, 'mend'), count(findings, 'odd')]
  if (mustMend(findings)) return `${mend} to mend${odd > 0 ? `, ${odd} to know of` : ''}.`
  return odd > 0 ? `Nothing to mend; ${odd} to know of.` : 'Nothing to mend.'
}

export const reportText = ({ id, kind, base }: Examined, findings: readonly Finding[]): string =>
  [
    `${id}, ${kind}${base === undefined ? '' : `, ${base}`}`,
    '',
    ...findings.flatMap(lines),
    '',
    verdict(findings),
  ].join('\n')

/** One object: `good` where nothing has to be mended. */
export const reportJson = ({ id, kind, base }: Examined, findings: readonly Finding[]): string =>
  JSON.stringify({ id, kind, ...(base !== undefined && { fhir: base }), good: !mustMend(findings), findings })
