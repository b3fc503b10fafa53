/** The URIs that appear in what Daybind writes: our own first, then those of the standards. */

export const home = 'https://daybind.example'

/** Identifier systems of what Daybind makes; the value is the resource's id. */
export const identifierSystems = {
  ServiceRequest: `${home}/orders`,
  Device: `${home}/devices`,
  DeviceUseStatement: `${home}/links`,
  Procedure: `${home}/procedures`,
  Task: `${home}/tasks`,
  Observation: `${home}/observations`,
  DiagnosticReport: `${home}/reports`,
  Media: `${home}/media`,
  DetectedIssue: `${home}/gaps`,
  MeasureReport: `${home}/evenings`,
} as const

export const systems = {
  sites: `${home}/sites`,
  sources: `${home}/sources`,
  readingServices: `${home}/reading-services`,
  callers: `${home}/callers`,
  deliveries: `${home}/deliveries`,
  alerts: `${home}/alerts`,
  journal: `${home}/journal`,
  refusal: `${home}/CodeSystem/refusal`,
  gap: `${home}/CodeSystem/gap`,
  linkEnd: `${home}/CodeSystem/link-end`,
  notApplied: `${home}/CodeSystem/not-applied`,
  mitigation: `${home}/CodeSystem/mitigation`,
  identityDoubt: `${home}/CodeSystem/identity-doubt`,
  clockCause: `${home}/CodeSystem/clock-cause`,
  measureGroup: `${home}/CodeSystem/measure-group`,
  reportMark: `${home}/CodeSystem/report-mark`,
  origin: `${home}/CodeSystem/origin`,
} as const

export const extensions = {
  linkEndReason: `${home}/StructureDefinition/link-end-reason`,
  assumedEnd: `${home}/StructureDefinition/assumed-end`,
  likeliestCause: `${home}/StructureDefinition/likeliest-cause`,
  acknowledged: `${home}/StructureDefinition/acknowledged`,
  replacedLink: `${home}/StructureDefinition/replaced-link`,
  notApplied: `${home}/StructureDefinition/not-applied`,
  timeZoneData: `${home}/StructureDefinition/time-zone-data`,
} as const

/** Where a search parameter of our own is defined. */
export const ownSearchParameter = (type: string, name: string): string => `${home}/SearchParameter/${type}-${name}`

/** Where an operation of our own is defined. */
export const ownOperation = (name: string): string => `${home}/OperationDefinition/${name}`

/** Our Measure, with the version that reports refer to. */
export const measure = `${home}/Measure/same-day-link|1`

export const standard = {
  sct: 'http://snomed.info/sct',
  loinc: 'http://loinc.org',
  identifierType: 'http://terminology.hl7.org/CodeSystem/v2-0203',
  diagnosticService: 'http://terminology.hl7.org/CodeSystem/v2-0074',
  taskCode: 'http://hl7.org/fhir/CodeSystem/task-code',
  communicationCategory: 'http://terminology.hl7.org/CodeSystem/communication-category',
  measurePopulation: 'http://terminology.hl7.org/CodeSystem/measure-population',
  provenanceParticipant: 'http://terminology.hl7.org/CodeSystem/provenance-participant-type',
  dataOperation: 'http://terminology.hl7.org/CodeSystem/v3-DataOperation',
  auditEventType: 'http://terminology.hl7.org/CodeSystem/audit-event-type',
  restfulInteraction: 'http://hl7.org/fhir/restful-interaction',
  fdaUdi: 'http://hl7.org/fhir/NamingSystem/fda-udi',
} as const

/**
 * Codes of the Global Patient Set, free to show (CC BY 4.0), and LOINC (free with notice).
 * Sources: hl7.terminology 7.0.1 ValueSet snomed-intl-gps; https://loinc.org/license
 */
export const codes = {
  ecgMonitoring: { system: standard.sct, code: '46825001', display: 'Electrocardiographic monitoring' },
  continuousEcg: { system: standard.sct, code: '266706003', display: 'Continuous ECG monitoring' },
  rhythmStudy: { system: standard.loinc, code: '18754-2', display: 'Ambulatory cardiac rhythm monitor (Holter) study' },
  electrocardiac: {
    system: standard.diagnosticService,
    code: 'EC',
    display: 'Electrocardiac (e.g., EKG, EEC, Holter)',
  },
} as const

/** What a source's orders are coded with when its configuration says nothing else. */
export const defaultTakes = [codes.ecgMonitoring, codes.continuousEcg].map(({ system, code }) => ({ system, code }))
