import { expect, it } from 'vitest'
import { checkResource } from '../../../src/adapters/fhir/door/check-resource.ts'
import { operationOutcome } from '../../../src/adapters/fhir/outcome.ts'
import { type RefusalCode, refusal, refusals, warning } from '../../../src/model/problems.ts'

it('an outcome names each problem with its code, its text, a sentence and its places', () => {
  const found = refusal('unknown-code', ['Bundle.entry[1].resource.intent', 'ServiceRequest.intent'], {
    found: 'ordr',
    expected: 'order, plan',
  })
  expect(operationOutcome([found, warning('expired-device')])).toEqual({
    resourceType: 'OperationOutcome',
    issue: [
      {
        severity: 'error',
        code: 'code-invalid',
        details: {
          coding: [{ system: 'https://daybind.example/CodeSystem/refusal', code: 'unknown-code' }],
          text: 'The code is not in the required value set.',
        },
        diagnostics: 'The code is not in the required value set. Found: ordr. Expected: order, plan.',
        expression: ['Bundle.entry[1].resource.intent', 'ServiceRequest.intent'],
      },
      {
        severity: 'warning',
        code: 'business-rule',
        details: {
          coding: [{ system: 'https://daybind.example/CodeSystem/refusal', code: 'expired-device' }],
          text: 'The device was applied after its expiry date.',
        },
        diagnostics: 'The device was applied after its expiry date.',
      },
    ],
  })
})

it('an outcome without problems says so in one issue', () => {
  expect(operationOutcome([]).issue).toEqual([
    { severity: 'information', code: 'informational', details: { text: 'No problem was found.' } },
  ])
})

it('an outcome of every refusal there is passes our own door', () => {
  const every = Object.keys(refusals).map((code) => refusal(code as RefusalCode, 'Patient', { found: 'x' }))
  expect(checkResource(operationOutcome(every))).toEqual([])
  expect(checkResource(operationOutcome([]))).toEqual([])
})
