/**
 * The table of contents of the flow: each step, what starts it, from which state of what to which, and what goes out.
 * The code (jobs, log lines, journal), the documents and the pages read this table.
 */

export interface Step {
  /** The folder, the log field, the job, the word in the journal. */
  readonly name: StepName
  /** One sentence for people. */
  readonly tells: string
  readonly starts: readonly string[]
  readonly from: string
  readonly to: string
  readonly sends: string
}

export type StepName =
  | 'accept-order'
  | 'apply-device'
  | 'forward-order'
  | 'return-device'
  | 'send-result'
  | 'watch-flow'

export const steps: readonly Step[] = [
  {
    name: 'accept-order',
    tells:
      'A monitoring order arrives, is checked, and is stored once for each placer number; it may be revised, held or revoked later.',
    starts: ['POST /fhir', 'POST /fhir/ServiceRequest', 'PUT /fhir/ServiceRequest'],
    from: 'unknown',
    to: 'order open',
    sends: 'nothing, or the changed order where it was forwarded before',
  },
  {
    name: 'apply-device',
    tells:
      'At the moment of application the scanned device is tied to the order’s patient; two patient identifiers must agree.',
    starts: ['$link-device', '$end-link', '$correct-link', '$record-application', '$record-not-applied'],
    from: 'order open',
    to: 'device linked',
    sends: 'the linked order to each reading service that takes it',
  },
  {
    name: 'forward-order',
    tells:
      'The linked order goes to the reading service; that it was delivered and that it was accepted are two things.',
    starts: ['a queued delivery', 'PUT /fhir/Task', 'a Task of ours on the server of its reading service'],
    from: 'device linked',
    to: 'order taken',
    sends: 'the linked order to its reading services, and what belongs to the link into the EHR, at each change',
  },
  {
    name: 'return-device',
    tells: 'A worn device comes back: a linked one gets its stubs, an unlinked one is held without a patient.',
    starts: ['$record-return'],
    from: 'device linked',
    to: 'stub waiting for its report',
    sends: 'the ended link with its stubs',
  },
  {
    name: 'send-result',
    tells: 'The reading service’s report replaces the stub and completes the work.',
    starts: ['POST /fhir/DiagnosticReport', 'PUT /fhir/DiagnosticReport'],
    from: 'stub waiting for its report',
    to: 'reported',
    sends: 'the report',
  },
  {
    name: 'watch-flow',
    tells: 'Every evening each site is told what is missing, while somebody can still mend it.',
    starts: ['the cut-off and the end of each site’s day', '$reconcile-day', '$acknowledge', '$resolve'],
    from: 'any',
    to: 'gap opened, mended or told',
    sends: 'the evening report',
  },
]
