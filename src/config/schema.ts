/** The configuration file as one schema; descriptions go into the JSON Schema for editors. */
import * as z from 'zod'
import { isZone } from '../model/local-day.ts'
import { accessShape, keys } from './access.ts'
import { emailAddress, mail } from './mail.ts'
import {
  absoluteUri,
  alertTime,
  base,
  calledBase,
  closedDay,
  coding,
  duration,
  expecting,
  id,
  identifier,
  localDate,
  name,
  type ReadSecret,
  time,
  token,
  tolerance,
  webhookSecret,
} from './values.ts'

const severity = z.enum(['high', 'moderate', 'low'], expecting('high, moderate or low'))

const alert = z.strictObject(
  {
    at: alertTime.describe(
      'When, counted from the cut-off, a leading minus is before it; or now: as soon as a gap is known.',
    ),
    to: id.describe('Id of a recipient.'),
    severities: z
      .array(severity, expecting('a list of severities'))
      .min(1, expecting('at least one severity; without "severities" it is high and moderate'))
      .default(['high', 'moderate'])
      .describe('Which gaps.'),
    urgent: z
      .boolean(expecting('true or false'))
      .default(false)
      .describe("true: goes out in the recipient's quiet hours too."),
  },
  expecting('{ at: DURATION, to: RECIPIENT }'),
)

const zoneName = z
  .string(expecting('an IANA zone'))
  .refine(isZone, expecting('an IANA zone'))
  .describe('IANA time zone, such as Europe/Dublin.')

const zoneFrom = z.strictObject(
  {
    zone: zoneName,
    from: localDate.optional().describe('The first date that ends by its clock; absent in the first.'),
  },
  expecting('{ zone: ZONE, from: DATE }'),
)

const timeZone = z.union(
  [zoneName, z.array(zoneFrom).min(1, expecting('at least one zone'))],
  expecting('an IANA zone'),
)

const orDayEnd = expecting('a local time from 00:00 to 23:59, HH:mm in quotes, or day-end')

const cutOffRule = z.strictObject(
  {
    at: z
      .string(orDayEnd)
      .regex(/^(([01]\d|2[0-3]):[0-5]\d|day-end)$/, orDayEnd)
      .describe('Local time HH:mm, or day-end: the end of the local day.'),
    on: z
      .array(closedDay, expecting('a list of weekdays and dates'))
      .min(1, expecting('at least one day; without "on" it is every day'))
      .optional()
      .describe('Weekdays and dates; absent: every day.'),
    from: localDate.optional().describe('The first date for which it counts.'),
  },
  expecting('{ at: "HH:mm", on: [DAY], from: DATE }'),
)

const cutOff = z.union(
  [time, z.array(cutOffRule).min(1, expecting('at least one entry'))],
  expecting('a local time from 00:00 to 23:59, HH:mm, or a list such as [ { at: "13:00", on: [sat] } ]'),
)

const site = z.strictObject(
  {
    id: id.describe('Its name in addresses and in other parts of this file.'),
    identifier: identifier.optional().describe('Its FHIR identifier; default https://daybind.example/sites|<id>.'),
    name: name.describe('Its name for people.'),
    timeZone: timeZone.describe(
      'IANA time zone, such as Europe/Dublin; for a site that moves the zones one after the other.',
    ),
    cutOff: cutOff
      .optional()
      .describe(
        'Local time HH:mm after which a link is late, or a list by days; absent, or on a day that no entry names: the end of the local day.',
      ),
    closed: z
      .array(closedDay, expecting('a list of weekdays and dates'))
      .default([])
      .describe('Days without visits and without cut-off alerts; a device applied all the same is due as on any day.'),
    open: z
      .array(localDate, expecting('a list of dates'))
      .default([])
      .describe('Dates on which visits are expected although "closed" names their weekday.'),
    wear: duration.default('P14D').describe('Wear time when the order does not say.'),
    transit: duration.default('P10D').describe('From removal to return; then overdue-return.'),
    reading: duration.default('P3D').describe('From read-out to report; then overdue-report.'),
    figures: z
      .strictObject(
        {
          byPerson: z
            .boolean(expecting('true or false'))
            .default(false)
            .describe('true: reports show how many each person linked in time; ask your staff first.'),
        },
        expecting('{ byPerson: true } or { byPerson: false }'),
      )
      .prefault({})
      .describe('What its reports may show.'),
    alerts: z.array(alert, expecting('a list of alerts')).default([]).describe('Whom to tell, around the cut-off.'),
    alertsShow: z
      .enum(['numbers', 'placer'], expecting('numbers or placer'))
      .default('numbers')
      .describe('numbers: how many gaps of each kind; placer: their placer numbers and serial numbers too.'),
  },
  expecting('a site with id, name and timeZone'),
)

const source = (readSecret: ReadSecret) =>
  z.strictObject(
    {
      id: id.describe('Its name in addresses and in other parts of this file.'),
      site: id.optional().describe('Id of the site of orders that name no location.'),
      placer: absoluteUri.optional().describe('Identifier system of placer numbers, when none has type PLAC.'),
      takes: z
        .array(coding, expecting('a list of codes'))
        .min(1, expecting('at least one code; without "takes" it is the two codes of ECG monitoring'))
        .optional()
        .describe('Codes of monitoring orders as "system|code"; default: the two codes of ECG monitoring.'),
      fhir: calledBase.optional().describe('Base of its FHIR server: polled, subscribed to and written back to.'),
      ...accessShape(readSecret),
      writeBack: z
        .boolean(expecting('true or false'))
        .optional()
        .describe('false: nothing is written into its FHIR server; default: true where "fhir" is set.'),
      poll: z
        .union([duration, z.literal(false)], expecting('an ISO 8601 duration such as PT30S, or false'))
        .default('PT30S')
        .describe('How late a change may be seen without a notification; false: its server is not asked for orders.'),
      evidence: z
        .array(
          z.enum(['Procedure', 'Encounter', 'Appointment'], expecting('Procedure, Encounter or Appointment')),
          expecting('a list of Procedure, Encounter and Appointment'),
        )
        .optional()
        .describe(
          'By which of its resources it is believed that a visit was, is moved or is not; absent: by all three.',
        ),
      subscribe: z
        .union(
          [z.literal('rest-hook'), z.literal(false), z.strictObject({ topic: absoluteUri })],
          expecting('rest-hook, { topic: URL } or false'),
        )
        .optional()
        .describe('How its server is subscribed to, where it takes Subscriptions; absent: rest-hook.'),
    },
    expecting('a source with an id'),
  )

const readingService = (readSecret: ReadSecret) =>
  z.strictObject(
    {
      id: id.describe('Its name in other parts of this file.'),
      fhir: calledBase.describe('Base of its FHIR server: linked orders go there.'),
      ...accessShape(readSecret),
      takes: z
        .array(z.strictObject({ code: coding }, expecting('{ code: "system|code" }')), expecting('a list of rules'))
        .min(1, expecting('at least one rule; without "takes" it takes every order'))
        .optional()
        .describe('Which linked orders it takes; absent: every order.'),
      accept: duration.default('PT4H').describe('Its time to accept an order; then not-taken.'),
    },
    expecting('a reading service with id and fhir'),
  )

const notBuilt = 'sign-in by issuer and key set is not built yet; use token: { env: NAME }'
const later = z.never(expecting(notBuilt)).optional().describe('Not built yet.')

const caller = (readSecret: ReadSecret) =>
  z.strictObject(
    {
      id: id.describe('The id of a source or reading service where there is one.'),
      role: z
        .enum(
          ['source', 'clinic', 'reading-service', 'operator'],
          expecting('one of source, clinic, reading-service, operator'),
        )
        .describe('What it may do.'),
      sites: z
        .array(id, expecting('a list of site ids'))
        .min(1, expecting('at least one site id; without "sites" it is all sites'))
        .optional()
        .describe('Of a source or clinic: ids of the sites for which it works; absent: all.'),
      token: token(readSecret).describe('The bearer token that it presents.'),
      issuer: later,
      jwks: later,
    },
    expecting('a caller with id, role and token'),
  )

const quiet = z
  .strictObject(
    {
      from: time.describe('Local time HH:mm.'),
      until: time.describe('Local time HH:mm; before "from" it is that of the next morning.'),
      timeZone: zoneName.optional().describe("Whose clock; absent: that of the site's zone."),
    },
    expecting('{ from: "20:00", until: "07:00" }'),
  )
  .refine(({ from, until }) => from !== until, expecting('two different times'))
  .describe('When alerts wait, unless their rule is urgent; then they tell what is open at the end of it.')

const recipient = (readSecret: ReadSecret) =>
  z
    .strictObject(
      {
        id: id.describe('Its name in alerts.'),
        email: emailAddress.optional().describe('Told by e-mail.'),
        webhook: z
          .strictObject(
            { url: calledBase, secret: webhookSecret(readSecret) },
            expecting('{ url: URL, secret: { env: NAME } }'),
          )
          .optional()
          .describe('Told by a signed POST.'),
        fhir: id.optional().describe('Id of a source: told by a Communication and a Task in its FHIR server.'),
        quiet: quiet.optional(),
      },
      expecting('a recipient with an id, and email, webhook or fhir'),
    )
    .refine(
      ({ email, webhook, fhir }) => [email, webhook, fhir].filter((way) => way !== undefined).length === 1,
      expecting('one of email, webhook and fhir'),
    )

/** The whole file. Secrets are looked up while it is read, so that a missing one is told with all other mistakes. */
export const fileSchema = (readSecret: ReadSecret) =>
  z
    .strictObject(
      {
        publicUrl: base.optional().describe('For links, hooks and e-mails; default http://HOST:PORT.'),
        sites: z
          .array(site, expecting('a list with at least one site'))
          .min(1, expecting('at least one site'))
          .describe('The clinics, each with a time zone and a cut-off.'),
        sources: z.array(source(readSecret), expecting('a list of sources')).default([]).describe('Who sends orders.'),
        readingServices: z
          .array(readingService(readSecret), expecting('a list of reading services'))
          .default([])
          .describe('Who receives linked orders.'),
        callers: z
          .array(caller(readSecret), expecting('a list of callers'))
          .default([])
          .describe('Who may call, and as what; without any, local callers have all rights.'),
        keys: keys(readSecret).optional(),
        mail: mail(readSecret).optional(),
        recipients: z
          .array(recipient(readSecret), expecting('a list of recipients'))
          .default([])
          .describe('Who is told of gaps.'),
        tolerances: z
          .strictObject(
            {
              skew: tolerance.prefault('PT2M').describe('How far a moment may lie in the future.'),
              recorderClock: tolerance.prefault('PT2M').describe("How far a recorder's clock may be off untold."),
            },
            expecting('{ skew: DURATION, recorderClock: DURATION }'),
          )
          .prefault({})
          .describe('What is close enough.'),
      },
      expecting('keys and values such as "sites:"'),
    )
    .meta({ title: 'Daybind configuration' })

export type ConfigurationFile = z.output<ReturnType<typeof fileSchema>>

/** The JSON Schema of what people write, for editors. */
export const jsonSchema = () =>
  z.toJSONSchema(
    fileSchema(() => ({ secret: 'unread' })),
    { io: 'input' },
  )
