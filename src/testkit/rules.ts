/**
 * What the contract asks, as far as a counterpart can see whether it is kept; and what was seen of it. A rule that was
 * never looked at is not listed: silence proves nothing.
 */

/** Rules by a short name, each as the sentence that holds. */
export const rules = {
  // what arrives at a counterpart
  'token-shown': 'each call shows the agreed token',
  'request-id-sent': 'each message has an X-Request-Id',
  'valid-write': 'what is written is what R4 lets a server take',
  identified: 'what is written carries an identifier, by which it is found again',
  'sent-twice': 'what is written twice is there once: by its identifier, or by If-None-Exist',
  'own-references': 'no reference points to another server',
  'patient-kept': 'a patient is offered, never overwritten',
  'order-kept': 'an order is written by its source alone',
  'ids-of-server': 'no id is chosen where the server gives them',
  'if-match': 'what the source wrote is changed by If-Match alone',
  'hook-header': 'a Subscription has a header by which its notifications are known',
  'hook-kept': 'a Subscription asks for what can be kept',
  'link-whole': 'a linked order has its patient, order, device, link and Task',
  'link-task': 'the Task of a linked order asks to fulfil that order for that patient, and has an owner',
  'link-refers': 'the link names the patient, the device and the order',
  'link-moment': 'the link says when the recorder was switched on, to the second and with an offset',
  'order-patient': 'an order is for a patient',
  'device-serial': 'a device has a serial number',
  'task-path': 'a Task goes forward only, by the steps of R4',
  'stub-empty': 'a registered stub says nothing yet',
  // what is answered
  answered: 'each call is answered',
  'request-id': 'X-Request-Id is given back as it came',
  'media-type': 'what is answered is FHIR JSON',
  statement: 'the CapabilityStatement says R4 and names the base',
  'refusal-outcome': 'a refusal is an OperationOutcome with an error',
  'refusal-coded': 'each error of a refusal has a code from the refusals and says what is wrong',
  'refusal-place': 'a refusal of content (422) names the place by a FHIRPath expression',
  // orders that are pushed
  'new-201': 'what is new is answered 201, and what is known 200',
  location: 'what was made has a Location with its version, below the base that is called or that is stated',
  'location-leads': 'the Location leads to what was written, in that version',
  etag: 'what was written has an ETag, that of its version',
  'same-content': 'the same content again is 200 and makes no new version',
  'new-content': 'new content of a known order is 200 and makes the next version',
  'one-order': 'a placer number is one order, however often it is sent',
  'every-entry': 'a transaction is answered entry by entry, in their order',
  // reports
  'report-first': 'the first report of a linked order is answered 201',
  'report-later': 'a later report is answered 200 and makes a new version',
  'report-overtaken': 'a preliminary report after a final one is 200 with a warning, and makes no new version',
  'report-reads': 'a report is read with the status and the words that were sent',
  // answers to Tasks
  'task-step': 'a step of a Task is answered 200, with the new status',
  'task-back': 'a step back of a Task is refused with 409',
  // calls that must fail
  'no-placer': 'an order without placer number is refused with 422',
  'foreign-reference': 'a relative reference to what is not known is refused with 422',
  'wrong-criterion': 'a criterion that the body does not carry is refused with 400',
  'two-of-one': 'two entries of one identity are refused with 400',
  'no-json': 'what is no JSON is refused with 400',
  'stale-version': 'a stale If-Match is refused with 412',
  'unknown-id': 'an update of an unknown id is refused with 404',
  'no-such-write': 'a write on a type that takes none is refused with 405',
  rehearsal: 'a rehearsal (dry-run) answers like the call, and keeps nothing',
} as const

export type Rule = keyof typeof rules

/** A rule was looked at. */
export interface Finding {
  readonly rule: Rule
  /** What is wrong; absent: it holds. */
  readonly wrong?: string
}

/** A rule that was looked at: one finding for each thing that is wrong, or that it holds. */
export const looked = (rule: Rule, ...wrong: readonly (string | undefined)[]): Finding[] => {
  const told = wrong.filter((w) => w !== undefined)
  return told.length > 0 ? told.map((w) => ({ rule, wrong: w })) : [{ rule }]
}

/** What is wrong among findings, as sentences. */
export const complaintsIn = (findings: readonly Finding[]): string[] => findings.flatMap(({ wrong }) => wrong ?? [])

/** How somebody finds a message again. */
export const messageAt = (at: string, line: string, requestId: string | undefined): string =>
  `${at} ${line} (${requestId ?? 'no request id'})`

/** What became of one rule. */
export interface Checked {
  readonly rule: Rule
  readonly says: string
  /** In how many messages it held. */
  readonly held: number
  /** The message in which it held first. */
  readonly heldIn?: string
  readonly broken: readonly { readonly in: string; readonly wrong: string }[]
}

/** Which messages showed which rule, kept or broken. */
export function ledger() {
  const seen = new Map<Rule, { held: number; heldIn?: string; broken: { in: string; wrong: string }[] }>()
  return {
    /** @param message as of `messageAt` */
    note(message: string, findings: readonly Finding[]): void {
      for (const { rule, wrong } of findings) {
        const here = seen.get(rule) ?? { held: 0, broken: [] }
        seen.set(rule, here)
        if (wrong !== undefined) here.broken.push({ in: message, wrong })
        else {
          here.held += 1
          here.heldIn ??= message
        }
      }
    },
    /** Every rule that was looked at, in the order of the rules. */
    checked: (): readonly Checked[] =>
      (Object.keys(rules) as Rule[]).flatMap((rule): Checked[] => {
        const here = seen.get(rule)
        return here ? [{ rule, says: rules[rule], ...here, broken: [...here.broken] }] : []
      }),
  }
}

export type Ledger = ReturnType<typeof ledger>

export const anyBroken = (checked: readonly Checked[]): boolean => checked.some(({ broken }) => broken.length > 0)

/** Messages that are told of a rule that broke. */
const toldAtMost = 5

/** A line for each rule, and below one that broke a line for each message, up to five. */
export const checkedText = (checked: readonly Checked[]): string =>
  [
    ...checked.flatMap(({ rule, says, held, heldIn, broken }) =>
      broken.length > 0
        ? [
            `BROKE  ${rule}: ${says}`,
            ...broken.slice(0, toldAtMost).map((b) => `       ${b.wrong}; in ${b.in}`),
            ...(broken.length > toldAtMost ? [`       and ${broken.length - toldAtMost} more`] : []),
          ]
        : [`held   ${rule}: ${says}; ${held} ×, first in ${heldIn}`],
    ),
    `${checked.length} rules looked at, ${checked.filter(({ broken }) => broken.length > 0).length} broken`,
  ].join('\n')
