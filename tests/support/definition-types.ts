/** The types of our definitions, which the contract names: public, the same for everybody, and without versions. */
export const definitionTypes: readonly string[] = [
  ...['StructureDefinition', 'OperationDefinition', 'CodeSystem', 'ValueSet', 'SearchParameter', 'Measure'],
  'CapabilityStatement',
]
