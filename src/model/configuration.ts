/** Who takes part: the configuration as the rest of the code sees it. `config.ts` reads and checks it. */
import type { SigningKeys } from './signing-key.ts'

export interface Coding {
  readonly system: string
  readonly code: string
}

export interface SystemValue {
  readonly system: string
  readonly value: string
}

/** How grave a gap is; the table of gaps says it of each. */
export type Severity = 'high' | 'moderate' | 'low'

/** Whom to tell of open gaps, and when. */
export interface AlertRule {
  /** ISO 8601 duration counted from the cut-off, before it with a leading minus; or `now`: as soon as a gap is known. */
  readonly at: string
  /** Id of a recipient. */
  readonly to: string
  readonly severities: readonly Severity[]
  /** Goes out in the recipient's quiet hours too. */
  readonly urgent?: boolean
}

/** A time of day that is too late, and the days on which it counts. */
export interface CutOffRule {
  /** Local time `HH:mm`, or `day-end`. */
  readonly at: string
  /** Weekdays `mon` … `sun` and dates; absent: every day. */
  readonly on?: readonly string[]
  /** The first date for which it counts; absent: as long as anybody remembers. */
  readonly from?: string
}

/** A zone by whose clock a site goes, from a date on. */
export interface ZoneFrom {
  /** IANA zone, known to this machine. */
  readonly zone: string
  /** Absent in the first alone. */
  readonly from?: string
}

/** One zone, or for a site that moved the zones one after the other, at least one. */
export type TimeZone = string | readonly ZoneFrom[]

/** A clinic, with a time zone and a cut-off. */
export interface Site {
  readonly id: string
  readonly name: string
  /** By default `https://daybind.example/sites | <id>`. */
  readonly identifier: SystemValue
  readonly timeZone: TimeZone
  /** Local time `HH:mm`, or which counts on which days; absent, or on a day that none names: the end of the local day. */
  readonly cutOff?: string | readonly CutOffRule[]
  /** Weekdays `mon` … `sun` and dates `YYYY-MM-DD` on which no visit is expected. */
  readonly closed: readonly string[]
  /** Dates on which visits are expected all the same. */
  readonly open?: readonly string[]
  /** ISO 8601 durations: wear when the order does not say, removal to return, read-out to report. */
  readonly wear: string
  readonly transit: string
  readonly reading: string
  /** Absent: the site does not allow figures by person. */
  readonly figures?: { readonly byPerson: true }
  /** Absent: nobody is told. */
  readonly alerts?: readonly AlertRule[]
  /** What an alert says of each gap besides how many there are; absent: nothing. */
  readonly alertsShow?: 'numbers' | 'placer'
}

/** Local times `HH:mm` between which somebody is not told of what can wait; over midnight where `until` is the earlier. */
export interface Quiet {
  readonly from: string
  readonly until: string
  /** Absent: that of the site that the alert is about. */
  readonly timeZone?: string
}

/** Who is told of gaps, in one of these ways. */
export interface Recipient {
  readonly id: string
  readonly email?: string
  /** The secret as Standard Webhooks writes it: `whsec_` and base64. */
  readonly webhook?: { readonly url: string; readonly secret: string }
  /** Id of a source: told by a Communication and a Task in its FHIR server. */
  readonly fhir?: string
  readonly quiet?: Quiet
}

/** The mail server by which alerts go out. */
export interface Mail {
  readonly host: string
  readonly port: number
  /** TLS from the first byte, by STARTTLS (and not without), or none. */
  readonly security: 'tls' | 'starttls' | 'none'
  /** Trusted besides the authorities that this machine trusts; PEM. */
  readonly ca?: string
  readonly from: string
  readonly login?: { readonly user: string; readonly password: string }
}

/** How Daybind gets a token by SMART Backend Services. */
export interface Smart {
  /** As it is registered there. */
  readonly clientId: string
  /** Absent: as their server's smart-configuration says. */
  readonly tokenUrl?: string
  /** Absent: what the service needs at least. */
  readonly scope?: string
}

/** For TLS with a certificate of our own, or with an authority that only they know; all PEM. */
export interface ClientTls {
  readonly cert: string
  readonly key: string
  /** Trusted besides the authorities that this machine trusts. */
  readonly ca?: string
}

/** How Daybind shows the FHIR server of a source or reading service who it is. */
export interface Access {
  /** The bearer token that we present. */
  readonly token?: string
  /** In place of `token`. */
  readonly smart?: Smart
  readonly tls?: ClientTls
}

/** Resource types by which an EHR may say of an order's visit that it was, is to be, or is not. */
export type EvidenceType = 'Procedure' | 'Encounter' | 'Appointment'

/** An EHR that sends orders. */
export interface Source extends Access {
  readonly id: string
  /** The site for orders that name no location. */
  readonly site?: string
  /** Identifier system of placer numbers, when no identifier has type PLAC. */
  readonly placer?: string
  /** Codes of monitoring orders. */
  readonly takes: readonly Coding[]
  /** Base of its FHIR server, without a trailing slash. */
  readonly fhir?: string
  /** Whether links, work and stubs are written into its FHIR server; absent: they are. */
  readonly writeBack?: boolean
  /** ISO 8601 duration; absent: its FHIR server is not asked for orders. */
  readonly poll?: string
  /** By which of these it is believed about visits; absent: by all. */
  readonly evidence?: readonly EvidenceType[]
  /** How its server is subscribed to; absent: by rest-hook, where it takes Subscriptions. */
  readonly subscribe?: 'rest-hook' | { readonly topic: string } | false
}

/** Receives linked orders. */
export interface ReadingService extends Access {
  readonly id: string
  readonly fhir: string
  /** Absent: every order. */
  readonly takes?: readonly { readonly code: Coding }[]
  /** ISO 8601 duration: time to accept. */
  readonly accept: string
}

export type Role = 'source' | 'clinic' | 'reading-service' | 'operator'

/** Who may call us, and as what. The id is that of a source or reading service where there is one. */
export interface Caller {
  readonly id: string
  readonly role: Role
  /** Absent: all. */
  readonly sites?: readonly string[]
  readonly token: string
}

/** Whom and what the rules know. It is a fact in the journal too. */
export interface Parties {
  readonly sites: readonly Site[]
  readonly sources: readonly Source[]
  readonly readingServices: readonly ReadingService[]
  /** Who is told of gaps; no part of the fact in the journal. */
  readonly recipients?: readonly Recipient[]
}

/** The settings of the flow: durations in seconds. */
export interface Tolerances {
  /** How far a moment may lie in the future before it is refused. */
  readonly skew: number
  /** How far a recorder's clock may be off before it is told. */
  readonly recorderClock: number
}

export interface Configuration extends Parties {
  readonly publicUrl: string
  readonly host: string
  readonly port: number
  /** Absent: the embedded server, data under `dataDir`. */
  readonly databaseUrl?: string
  readonly dataDir: string
  readonly logLevel: string
  readonly callers: readonly Caller[]
  /** There whenever a recipient is told by e-mail. */
  readonly mail?: Mail
  /** What we sign with when we ask for tokens; there whenever anybody is asked by SMART. */
  readonly keys?: SigningKeys
  readonly tolerances: Tolerances
  /** What is odd and stops nothing; told at the start. */
  readonly warnings: readonly string[]
}
