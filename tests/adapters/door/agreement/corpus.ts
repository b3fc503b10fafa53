/**
 * What both are asked about: HL7's own R4 examples of the types that Daybind takes in or gives out, and mutants of them.
 * The examples are those of at most 4,500 bytes in the npm package hl7.fhir.r4.examples 4.0.1 (CC0), a line each, as
 * published. Bundles are left out: the resources in their entries are checked one by one.
 */
import { readFileSync } from 'node:fs'
import type { FhirResource } from 'fhir/r4.js'
import { type Mutant, mutantsOf } from './mutants.ts'

export const seed = 20261128
const mutants = 1_200

export const examples: readonly FhirResource[] = readFileSync(new URL('hl7-examples.jsonl', import.meta.url), 'utf8')
  .trim()
  .split('\n')
  .map((line) => JSON.parse(line) as FhirResource)

export const asPublished = 'as published'

export const corpus: readonly Mutant[] = [
  ...examples.map((resource) => ({
    name: `${resource.resourceType}/${resource.id}`,
    kind: asPublished,
    path: resource.resourceType,
    resource,
  })),
  ...mutantsOf(examples, mutants, seed),
]
