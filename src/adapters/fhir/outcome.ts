import type { OperationOutcome, OperationOutcomeIssue } from 'fhir/r4.js'
import { type Problem, refusals, sentence } from '../../model/problems.ts'
import { systems } from '../../model/systems.ts'

const issueOf = (problem: Problem): OperationOutcomeIssue => {
  const { issue, text } = refusals[problem.code]
  return {
    severity: problem.severity,
    code: issue,
    details: { coding: [{ system: systems.refusal, code: problem.code }], text },
    diagnostics: sentence(problem),
    ...(problem.location !== undefined && { location: [problem.location] }),
    ...(problem.at.length > 0 && { expression: [...problem.at] }),
  }
}

const nothingWrong: OperationOutcomeIssue = {
  severity: 'information',
  code: 'informational',
  details: { text: 'No problem was found.' },
}

const toldOf = (problems: readonly Problem[]): OperationOutcomeIssue[] =>
  problems.length > maxTold ? [...problems.slice(0, maxTold).map(issueOf), andMore] : problems.map(issueOf)

/** More than that is told to nobody: a small message could be answered by a large one. */
export const maxTold = 500

const andMore: OperationOutcomeIssue = {
  severity: 'information',
  code: 'informational',
  details: { text: `There are more problems than the ${maxTold} that are told here.` },
}

/**
 * The answer that names every problem: one issue each, with our code, a sentence that says what was found and what is
 * expected, and the FHIRPath of the place; where that is none of FHIRPath's (a header, a parameter of the query, a line),
 * `location` names it. Without problems it says so, since R4 wants at least one issue;
 * of more than 500 it tells the first 500, and that there are more.
 */
export const operationOutcome = (problems: readonly Problem[]): OperationOutcome => ({
  resourceType: 'OperationOutcome',
  issue: problems.length > 0 ? toldOf(problems) : [nothingWrong],
})
