/**
 * What no single value shows: names used twice, names of things that do not exist, and what is odd. Looks at what was
 * read before the schema has accepted it, so that these mistakes are told together with the schema's.
 */
import { isPrivate } from '../model/private-address.ts'
import { accessMistakes, accessWarnings } from './access-checks.ts'
import { calendarMistakes, cutOffsOf } from './calendar-checks.ts'
import { at, idsOf, listAt, textAt } from './entries.ts'
import { didYouMean, type Refused, show, valueAt } from './mistakes.ts'
import type { Path } from './places.ts'

/** Names must tell apart; sources, reading services and recipients share theirs, since a message can go to each. */
const namesUsedTwice = (raw: unknown): Refused[] =>
  ([['sites'], ['sources', 'readingServices', 'recipients'], ['callers']] as const).flatMap((sections) => {
    const seen = new Set<string>()
    return sections
      .flatMap((section) => listAt(raw, [section]))
      .flatMap((entry) => {
        const id = textAt(entry, 'id')
        if (id === undefined) return []
        if (seen.has(id)) return [at(entry, 'id', `found ${show(id)}, expected an id that nothing else has`)]
        seen.add(id)
        return []
      })
  })

const siteIdentifiersUsedTwice = (raw: unknown): Refused[] => {
  const seen = new Set<string>()
  return listAt(raw, ['sites']).flatMap((entry) => {
    const identifier = textAt(entry, 'identifier')
    if (identifier === undefined || !seen.has(identifier)) {
      if (identifier !== undefined) seen.add(identifier)
      return []
    }
    return [at(entry, 'identifier', `found ${show(identifier)}, expected an identifier that no other site has`)]
  })
}

const unknownName = (path: Path, found: unknown, what: string, known: readonly string[]): Refused[] =>
  typeof found !== 'string' || known.includes(found)
    ? []
    : [{ path, text: `found ${show(found)}, expected the id of a ${what}${didYouMean(found, known)}` }]

const namesOfNothing = (raw: unknown): Refused[] => {
  const sites = idsOf(raw, 'sites')
  const recipients = idsOf(raw, 'recipients')
  return [
    ...listAt(raw, ['sites'])
      .flatMap((site) => listAt(raw, [...site.path, 'alerts']))
      .flatMap((alert) => unknownName([...alert.path, 'to'], textAt(alert, 'to'), 'recipient', recipients)),
    ...listAt(raw, ['sources']).flatMap((source) =>
      unknownName([...source.path, 'site'], textAt(source, 'site'), 'site', sites),
    ),
    ...listAt(raw, ['callers'])
      .flatMap((caller) => listAt(raw, [...caller.path, 'sites']))
      .flatMap((site) => unknownName(site.path, site.value, 'site', sites)),
  ]
}

const roles = ['source', 'clinic', 'reading-service', 'operator']

/** A caller with the name of a source or reading service would see and change what is theirs, so it must be that one. */
const strangersUnderTheirNames = (raw: unknown): Refused[] =>
  listAt(raw, ['callers']).flatMap((caller) => {
    const [id = '', role = ''] = [textAt(caller, 'id'), textAt(caller, 'role')]
    const [owner, section] = idsOf(raw, 'sources').includes(id)
      ? ['source', 'sources']
      : idsOf(raw, 'readingServices').includes(id)
        ? ['reading-service', 'readingServices']
        : [role, '']
    return !roles.includes(role) || role === owner
      ? []
      : [at(caller, 'role', `found ${show(role)}, expected ${owner}: ${show(id)} is one of ${section}`)]
  })

/** A limit that would not be kept is refused: an operator sees everything, a reading service what was sent to it. */
const limitsOfTheUnlimited = (raw: unknown): Refused[] =>
  listAt(raw, ['callers']).flatMap((caller) => {
    const role = textAt(caller, 'role')
    const limited = valueAt(caller.value, ['sites']) !== undefined
    return limited && (role === 'operator' || role === 'reading-service')
      ? [at(caller, 'sites', `expected none for the role ${role}: sites limit a source or a clinic`)]
      : []
  })

/** Who is told in an EHR needs one that has a FHIR server. */
const fhirOfNobody = (raw: unknown): Refused[] => {
  const sources = listAt(raw, ['sources']).filter((s) => textAt(s, 'fhir') !== undefined)
  const known = sources.flatMap((s) => textAt(s, 'id') ?? [])
  return listAt(raw, ['recipients']).flatMap((recipient) =>
    unknownName([...recipient.path, 'fhir'], textAt(recipient, 'fhir'), 'source with fhir', known),
  )
}

/** Who is told by e-mail needs a server that takes it. */
const mailWithoutServer = (raw: unknown): Refused[] => {
  if (valueAt(raw, ['mail']) !== undefined) return []
  return listAt(raw, ['recipients']).flatMap((recipient) =>
    textAt(recipient, 'email') === undefined
      ? []
      : [at(recipient, 'email', 'expected a mail server as well: mail: { host: HOST, from: ADDRESS }')],
  )
}

export const crossMistakes = (raw: unknown): Refused[] => [
  ...namesUsedTwice(raw),
  ...siteIdentifiersUsedTwice(raw),
  ...namesOfNothing(raw),
  ...strangersUnderTheirNames(raw),
  ...limitsOfTheUnlimited(raw),
  ...mailWithoutServer(raw),
  ...fhirOfNobody(raw),
  ...calendarMistakes(raw),
  ...accessMistakes(raw),
]

const earlyCutOffs = (raw: unknown): Refused[] =>
  listAt(raw, ['sites']).flatMap((site) =>
    [[site, 'cutOff'] as const, ...cutOffsOf(raw, site).map((rule) => [rule, 'at'] as const)].flatMap(
      ([entry, key]) => {
        const time = textAt(entry, key)
        if (time === undefined || !/^0[0-3]:/.test(time)) return []
        const odd = `${show(time)} lies at the start of the local day, before the day's work; is the evening meant?`
        return [at(entry, key, odd)]
      },
    ),
  )

const callersOfNothing = (raw: unknown): Refused[] => {
  const named = { source: idsOf(raw, 'sources'), 'reading-service': idsOf(raw, 'readingServices') }
  return listAt(raw, ['callers']).flatMap((caller) => {
    const [id, role] = [textAt(caller, 'id'), textAt(caller, 'role')]
    if (id === undefined || (role !== 'source' && role !== 'reading-service') || named[role].includes(id)) return []
    const what = role === 'source' ? 'source' : 'reading service'
    return [at(caller, 'id', `no ${what} is called ${show(id)}${didYouMean(id, named[role])}`)]
  })
}

/** Configured, and never told anything. */
const neverTold = (raw: unknown): Refused[] => {
  const told = listAt(raw, ['sites'])
    .flatMap((site) => listAt(raw, [...site.path, 'alerts']))
    .map((alert) => textAt(alert, 'to'))
  return listAt(raw, ['recipients']).flatMap((recipient) => {
    const id = textAt(recipient, 'id')
    return id === undefined || told.includes(id)
      ? []
      : [at(recipient, 'id', `no alert of any site is for ${show(id)}: it will be told nothing`)]
  })
}

/** What anybody on the way could read: what an alert says, and a token that a browser shows for a report. */
const readOnTheWay = (raw: unknown): Refused[] => {
  const inClear = (path: Path, url: unknown, what: string): Refused[] =>
    typeof url === 'string' && /^http:/i.test(url) && !isPrivate(url)
      ? [{ path, text: `${what} over http, where others can read it; use https` }]
      : []
  const [host, security] = [valueAt(raw, ['mail', 'host']), valueAt(raw, ['mail', 'security'])]
  return [
    ...inClear(['publicUrl'], valueAt(raw, ['publicUrl']), 'reports are read, and tokens shown,'),
    ...listAt(raw, ['recipients']).flatMap(({ path, value }) =>
      inClear([...path, 'webhook', 'url'], valueAt(value, ['webhook', 'url']), 'alerts travel'),
    ),
    ...(security === 'none' && typeof host === 'string' && !isPrivate(`http://${host}`)
      ? [{ path: ['mail', 'security'], text: 'alerts and the password travel unencrypted; use starttls or tls' }]
      : []),
  ]
}

/** An alert leads to its report. */
const alertsToNowhere = (raw: unknown): Refused[] => {
  const first = listAt(raw, ['sites']).find((site) => listAt(raw, [...site.path, 'alerts']).length > 0)
  return first === undefined || valueAt(raw, ['publicUrl']) !== undefined
    ? []
    : [at(first, 'alerts', 'alerts lead to reports at this machine’s own name and port; set "publicUrl"')]
}

export const crossWarnings = (raw: unknown): Refused[] => [
  ...readOnTheWay(raw),
  ...alertsToNowhere(raw),
  ...earlyCutOffs(raw),
  ...callersOfNothing(raw),
  ...accessWarnings(raw),
  ...neverTold(raw),
]
