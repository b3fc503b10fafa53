/**
 * Everything that the doctor can find at the FHIR server of a source or reading service: what it says, what that means,
 * and what a person can do about it. Pure. Words in braces are filled in with what was found; nothing of it is a token, a
 * signature or a patient's.
 */

/** `good`: as it should be; `odd`: works, but somebody should know; `mend`: messages will not get through as meant. */
export type Level = 'good' | 'odd' | 'mend'

export interface Finding {
  readonly check: string
  readonly code: FindingCode
  readonly level: Level
  readonly says: string
  readonly means: string
  readonly do: string
}

export type Facts = Readonly<Record<string, string | number>>

interface Row {
  readonly check: string
  readonly level: Level
  readonly says: string
  readonly means: string
  readonly do: string
}

const rows =
  (check: string) =>
  <K extends string>(table: Readonly<Record<K, readonly [Level, says: string, means: string, todo?: string]>>) =>
    Object.fromEntries(
      Object.entries<readonly [Level, string, string, string?]>(table).map(([code, [level, says, means, todo]]) => [
        code,
        { check, level, says, means, do: todo ?? 'Nothing.' },
      ]),
    ) as Record<K, Row>

const nothingSent = 'No message can be sent there.'
const askThem = 'Ask those who run that server.'

const table = {
  ...rows('server')({
    'no-server': [
      'good',
      'The configuration gives {id} no "fhir".',
      'It pushes its orders to Daybind; nothing is fetched from it and nothing written back.',
      'Add "fhir" if it has a FHIR server that Daybind may use.',
    ],
  }),
  ...rows('name')({
    'name-found': ['good', '{host} is {address}.', 'Its name leads to a machine.'],
    'name-is-address': ['good', '{host} is an address.', 'No name has to be looked up.'],
    'name-unknown': [
      'mend',
      'Nobody knows the name {host} ({code}).',
      nothingSent,
      'Look for a misspelling in "fhir"; else ask who runs the name service of this machine.',
    ],
    'name-service-silent': [
      'mend',
      'The name service of this machine does not answer for {host} ({code}).',
      'Whether the name exists cannot be told; calls will fail as long as this lasts.',
      'Look at the network of this machine and its name service, then try again.',
    ],
  }),
  ...rows('connection')({
    connected: ['good', 'A connection to {host}:{port} was made in {ms} ms.', 'Nothing in between keeps us away.'],
    'connection-refused': [
      'mend',
      'Nothing listens at {host}:{port} ({code}).',
      nothingSent,
      'Start the server, or mend the port in "fhir".',
    ],
    'connection-silent': [
      'mend',
      'Nothing answers at {host}:{port} within {seconds} s ({code}).',
      'Most often a firewall drops what is sent there.',
      'Have the way from this machine to {host}:{port} opened, or mend the address in "fhir".',
    ],
    'connection-no-way': [
      'mend',
      'There is no way to {host}:{port} from this machine ({code}).',
      nothingSent,
      'Look at the network, the routes and the VPN of this machine.',
    ],
    'connection-failed': ['mend', 'No connection to {host}:{port} ({code}).', nothingSent, askThem],
  }),
  ...rows('TLS')({
    'no-tls-here': ['good', 'Plain http on this machine.', 'Nobody else can read it on the way.'],
    'no-tls': [
      'odd',
      'Plain http to {host}.',
      'Patient data and the token can be read and changed by whoever is on the way.',
      'Use https, unless the way is protected otherwise.',
    ],
    'tls-good': [
      'good',
      'Certificate for {names}, by {issuer}, until {until}; {protocol}.',
      'It is the right server, and nobody else can read what is sent.',
    ],
    'tls-soon-over': [
      'odd',
      'Its certificate ends on {until}, in {days} days.',
      'From then on nothing will be sent there.',
      'Ask those who run that server to renew it.',
    ],
    'tls-expired': [
      'mend',
      'Its certificate is over ({code}).',
      'It cannot be told whether it is the right server, so nothing is sent.',
      'Ask those who run that server to renew it; look at the clock of this machine too.',
    ],
    'tls-not-yet': [
      'mend',
      'Its certificate is not valid yet ({code}).',
      'Most often the clock of this machine is behind.',
      'Look at the clock of this machine; else ask those who run that server.',
    ],
    'tls-other-name': [
      'mend',
      'Its certificate is for another name than {host} ({code}).',
      'It may be another server, so nothing is sent.',
      'Use in "fhir" the name for which the certificate was made, or have one made for {host}.',
    ],
    'tls-unknown-authority': [
      'mend',
      'Its certificate is from an authority that this machine does not know ({code}).',
      'A private authority, or the server leaves out the certificates in between.',
      'Give the certificate of their authority as "tls: { ca: { file: PATH } }"; or ask them to send the whole chain.',
    ],
    'tls-self-signed': [
      'mend',
      'Its certificate was made by itself ({code}).',
      'Nobody vouches that it is the right server, so nothing is sent.',
      'Get the certificate from those who run that server, by a way you trust, and give it as "tls: { ca: { file: PATH } }".',
    ],
    'tls-wants-certificate': [
      'mend',
      'It asks for a certificate of ours and takes none that it was shown ({code}).',
      'It lets in only those whose certificate it knows (mTLS).',
      'Set "tls: { cert, key }" with a certificate from an authority that they accept.',
    ],
    'tls-none-there': [
      'mend',
      'There is no TLS at {host}:{port} ({code}).',
      'It speaks plain http there, or something else altogether.',
      'Mend the port, or write http in "fhir" if the way is protected otherwise.',
    ],
    'tls-too-old': [
      'mend',
      'It offers only versions of TLS that are no longer safe, or none of our ciphers ({code}).',
      'No connection is made with those.',
      'Ask those who run that server for TLS 1.2 or 1.3.',
    ],
    'tls-failed': ['mend', 'TLS could not be agreed on ({code}).', nothingSent, askThem],
    'own-certificate-over': [
      'mend',
      'Our own certificate in "tls" ended on {until}.',
      'A server that asks for it will refuse us.',
      'Have it renewed, replace the file and restart Daybind.',
    ],
    'own-certificate-soon-over': [
      'odd',
      'Our own certificate in "tls" ends on {until}, in {days} days.',
      'From then on a server that asks for it will refuse us.',
      'Have it renewed in time.',
    ],
  }),
  ...rows('metadata')({
    'metadata-good': ['good', '{base}/metadata is the CapabilityStatement of {name}.', 'It is a FHIR server.'],
    'metadata-guarded': [
      'odd',
      '{base}/metadata asks who we are ({status}).',
      'R4 wants it open to everybody; Daybind shows who it is there too.',
      'Nothing, if the next lines are good.',
    ],
    'metadata-refused': [
      'mend',
      '{base}/metadata is kept from us, with our token too ({status}).',
      'What the server can do cannot be read, and most likely nothing else either.',
      'See the lines on authentication; else ask which rights it takes.',
    ],
    'metadata-redirect': [
      'mend',
      '{base}/metadata leads on to {to} ({status}).',
      'Daybind follows no redirects: a token would go to whoever is named.',
      'Write the address to which it leads, without /metadata, as "fhir".',
    ],
    'metadata-absent': [
      'mend',
      'There is no {base}/metadata ({status}).',
      '"fhir" is not the base of a FHIR server; often a part of the path is missing or too many.',
      'Ask for the base address, such as https://host/fhir or https://host/r4.',
    ],
    'metadata-page': [
      'mend',
      '{base}/metadata is a web page ({status}).',
      'A portal, a sign-in page or a proxy answers in place of a FHIR server.',
      'Ask for the address of the FHIR interface, and whether a proxy stands in between.',
    ],
    'metadata-outcome': [
      'mend',
      '{base}/metadata is an OperationOutcome with status {status} ({codes}).',
      'The server reports an error as success, so nothing that it answers can be relied on.',
      'Ask those who run that server what is wrong with it.',
    ],
    'metadata-xml': [
      'mend',
      '{base}/metadata is XML, though JSON was asked for ({status}).',
      'Daybind speaks JSON alone.',
      'Have JSON (application/fhir+json) switched on.',
    ],
    'metadata-not-acceptable': [
      'mend',
      'It does not give application/fhir+json ({status}).',
      'Daybind speaks JSON alone.',
      'Have JSON (application/fhir+json) switched on.',
    ],
    'metadata-other': [
      'mend',
      '{base}/metadata is a {type}, not a CapabilityStatement.',
      'It is no FHIR R4 server, or another service is behind this address.',
      'Ask for the base address of the FHIR R4 interface.',
    ],
    'metadata-no-fhir': [
      'mend',
      '{base}/metadata is JSON, but no FHIR resource ({status}).',
      'Another kind of service is behind this address.',
      'Ask for the base address of the FHIR interface.',
    ],
    'metadata-no-json': [
      'mend',
      '{base}/metadata is neither JSON nor XML nor a page ({status}).',
      'It is cut short, or another kind of service is behind this address.',
      'Open the address with another client and compare; then ask those who run that server.',
    ],
    'metadata-error': [
      'mend',
      '{base}/metadata fails with {status}.',
      'The server, or a proxy before it, has trouble of its own.',
      'Try again in some minutes; then ask those who run that server.',
    ],
    'metadata-strange': [
      'mend',
      '{base}/metadata is answered with {status}.',
      'It is no answer that a FHIR server gives to this.',
      'Ask for the base address of the FHIR interface.',
    ],
    'metadata-silent': [
      'mend',
      '{base}/metadata is not answered within {seconds} s.',
      'Messages would wait as long and be tried again and again.',
      'A server that has just started may take its time: try again; then ask those who run it.',
    ],
    'metadata-too-large': [
      'mend',
      '{base}/metadata is larger than {megabytes} MB.',
      'Daybind reads no answer that large.',
      askThem,
    ],
    'metadata-compressed': [
      'mend',
      '{base}/metadata comes compressed, though none was asked for.',
      'Daybind takes no compressed answers: their true size cannot be known.',
      'Have the server, or the proxy before it, keep to Accept-Encoding: identity.',
    ],
    'metadata-cut': [
      'mend',
      'The connection broke before {base}/metadata was here ({code}).',
      'Something else than HTTP listens there, or a server that wants TLS or a certificate of ours.',
      'Look at http or https in "fhir", and whether they want "tls: { cert, key }".',
    ],
  }),
  ...rows('FHIR version')({
    'version-good': ['good', 'FHIR {version}.', 'It is R4, which Daybind speaks.'],
    'version-other': [
      'mend',
      'FHIR {version}.',
      'Daybind speaks R4 (4.0.1); resources of other versions have other elements.',
      'Ask for their R4 address: many servers have one for each version.',
    ],
    'version-missing': [
      'odd',
      'It does not say which version of FHIR it speaks.',
      'It is taken for R4.',
      'Ask whether it is R4 (4.0.1).',
    ],
  }),
  ...rows('format')({
    'format-json': ['good', 'It takes JSON ({formats}).', 'Daybind speaks JSON.'],
    'format-no-json': [
      'mend',
      'It says that it takes {formats}, and no JSON.',
      'Daybind speaks JSON alone; nothing will be written there.',
      'Have JSON (application/fhir+json) switched on.',
    ],
    'format-unsaid': [
      'odd',
      'It does not say which formats it takes.',
      'JSON is tried.',
      'Nothing, if the next lines are good.',
    ],
  }),
  ...rows('what it can')({
    'no-rest': [
      'mend',
      'Its CapabilityStatement describes no server.',
      'What it can do is not known, and nothing will be written there.',
      'Ask for the address of the server itself.',
    ],
    'orders-found': ['good', 'ServiceRequest can be searched and read.', 'Orders can be fetched.'],
    'orders-not-listed': [
      'mend',
      'ServiceRequest cannot be {missing}.',
      'Orders cannot be fetched from it.',
      'Have reading and searching of ServiceRequest opened for Daybind; or let it push, with "poll: false".',
    ],
    'orders-without-time': [
      'odd',
      'It does not list _lastUpdated among its search parameters.',
      'Many servers know it all the same; Daybind asks for changes by it. See whether a search succeeds below.',
      'Nothing, if the search below is good.',
    ],
    'patients-not-listed': [
      'odd',
      'Patient cannot be {missing}.',
      'An order whose patient does not come along with it cannot be taken.',
      'Have reading of Patient opened for Daybind.',
    ],
    'visits-found': [
      'good',
      '{types}: searched by the order that they are based on.',
      'What it says of visits by these is asked for.',
    ],
    'visits-not-listed': [
      'odd',
      '{types}: it does not list that they can be searched by based-on.',
      'What it says of visits by these is known only where it is pushed.',
      'Have that parameter opened, have them pushed, or name under "evidence" those that count.',
    ],
    'written-not-wanted': [
      'good',
      'The configuration says "writeBack: false".',
      'Nothing is written there, so nothing of that is looked at.',
    ],
    'written-as-meant': [
      'good',
      'It takes what Daybind writes: {types}.',
      'Everything that belongs to a link is told.',
    ],
    'written-in-part': [
      'odd',
      'It does not take {types}.',
      'The rest is written without. {why}',
      'Have these types opened for Daybind if they should be told.',
    ],
    'written-nothing': [
      'mend',
      'It takes nothing of what Daybind writes. {why}',
      'Nothing of a link will be told there.',
      'Have the types opened for Daybind that its README names; for a source that should get nothing say "writeBack: false".',
    ],
    'written-too-little': [
      'mend',
      'It does not take {types}.',
      'A linked order is of no use there without. {why}',
      'Have these types opened for Daybind.',
    ],
    'no-transaction': [
      'odd',
      'It takes no transaction.',
      'What belongs together is written one after another; half of it may be there for a while.',
      'Nothing, if that is acceptable to both sides.',
    ],
  }),
  ...rows('authentication')({
    'auth-none': ['good', 'Daybind shows nothing of who it is.', 'On this machine that is usual.'],
    'auth-none-outside': [
      'odd',
      'Daybind shows nothing of who it is.',
      'The server lets everybody in, or lets nobody in.',
      'Set "token" or "smart" if the server knows its callers.',
    ],
    'auth-token': [
      'good',
      'Daybind shows the bearer token of the configuration.',
      'Whether it is taken shows in the next line.',
    ],
    'smart-found': ['good', 'Tokens are to be had at {url}.', 'Its smart-configuration says so.'],
    'smart-given': ['good', 'Tokens are to be had at {url}.', 'The configuration says so.'],
    'smart-missing': [
      'mend',
      '{base}/.well-known/smart-configuration is not there ({found}).',
      'Where tokens are to be had is not known.',
      'Set "smart: { tokenUrl }", or ask them to publish it.',
    ],
    'smart-unusable': [
      'mend',
      '{base}/.well-known/smart-configuration names no token endpoint with https.',
      'Where tokens are to be had is not known, or others could read them on the way.',
      'Set "smart: { tokenUrl }" to the right address.',
    ],
    'smart-other-grants': [
      'odd',
      'Its smart-configuration does not list the grant client_credentials.',
      'It may know apps with a person before them only, and no backend services.',
      'Ask whether they take SMART Backend Services.',
    ],
    'smart-other-algorithm': [
      'mend',
      'It takes signatures by {taken}, and ours are by {alg}.',
      'It will not take what we sign.',
      'Set as keys.current a key of the other kind: RSA for RS384, EC on P-384 for ES384.',
    ],
    claims: [
      'good',
      'We state iss and sub {iss}, aud {aud}, exp {exp}, jti {jti}, signed with the key {kid} by {alg}.',
      'By this they know us; their records should show the same.',
      'Compare with what is registered there, if the next line is not good.',
    ],
    'token-given': [
      'good',
      'The token endpoint answered {status}: a token for {seconds} s, scope {scope}.',
      'They know us.',
    ],
    'token-for-less': [
      'odd',
      'The token is for less than was asked for; missing: {missing}.',
      'What these rights are for will be refused with 403.',
      'Ask them to grant these scopes, or say in "smart: { scope }" what is enough.',
    ],
    'token-invalid-client': [
      'mend',
      'The token endpoint answered {status} invalid_client.',
      'They do not know the id {iss}, do not find the key {kid}, or do not take the claims above.',
      'Check there: the client id; that the key set registered for it is {keySet} or holds {kid}; the audience {aud}; and both clocks.',
    ],
    'token-invalid-client-clock': [
      'mend',
      'The token endpoint answered {status} invalid_client, and its clock is {seconds} s {side} ours.',
      'An assertion may end at most five minutes ahead by their clock, so most likely it is the clocks.',
      'Set the clock of this machine by NTP; else ask them to.',
    ],
    'token-invalid-scope': [
      'mend',
      'The token endpoint answered {status} invalid_scope.',
      'They do not grant what was asked for: {scope}.',
      'Ask which system scopes the client {iss} may have, and set "smart: { scope }" to those, or have them granted.',
    ],
    'token-unauthorized': [
      'mend',
      'The token endpoint answered {status} {code}.',
      'The client {iss} may not ask for tokens in this way.',
      'Have it registered there for backend services (grant client_credentials, private_key_jwt).',
    ],
    'token-invalid-request': [
      'mend',
      'The token endpoint answered {status} {code}.',
      'It expects another form of request: another kind of client authentication, most often.',
      'Ask whether they take private_key_jwt, and whether {aud} is their token endpoint.',
    ],
    'token-refused': [
      'mend',
      'The token endpoint answered {status} and no code of OAuth.',
      'It is no token endpoint, or a proxy before it refuses us.',
      'Check the address {aud} with them.',
    ],
    'token-trouble': [
      'mend',
      'The token endpoint answered {status}.',
      'Their authorization server has trouble of its own.',
      'Try again in some minutes; then ask those who run it.',
    ],
    'token-nonsense': [
      'mend',
      'The token endpoint answered {status} without a bearer token.',
      'It is no token endpoint, or gives tokens of another kind.',
      'Check the address {aud} with them.',
    ],
    'token-unreachable': [
      'mend',
      'The token endpoint {aud} cannot be reached ({why}).',
      'Without a token nothing is sent.',
      'Look at the way from this machine to that address; it may be another host than the FHIR server.',
    ],
  }),
  ...rows('rights')({
    'search-good': ['good', 'A search for {type} was answered.', 'We are let in, and the server answers in FHIR.'],
    'search-unauthorized': [
      'mend',
      'A search for {type} was refused with 401 ({authenticate}).',
      'It does not take what we show, or wants something else.',
      'Check the token with those who gave it, and whether this server takes bearer tokens.',
    ],
    'search-forbidden': [
      'mend',
      'A search for {type} was refused with 403.',
      'It knows us, and we have no right to this.',
      'Ask for the right to search and read {type}.',
    ],
    'search-not-by-time': [
      'mend',
      'A search for {type} by _lastUpdated was refused ({status}).',
      'Changes cannot be asked for, so orders cannot be fetched.',
      'Have _lastUpdated enabled for {type}; or let it push, with "poll: false".',
    ],
    'search-failed': [
      'mend',
      'A search for {type} failed ({status}).',
      'What was sent cannot be looked for, nor answers read.',
      'Ask those who run that server whether {type} can be searched by identifier.',
    ],
    'search-strange': [
      'mend',
      'A search for {type} was answered with something else than a searchset ({found}).',
      'Daybind relies on nothing that such an answer says.',
      askThem,
    ],
    'search-silent': [
      'mend',
      'A search for {type} was not answered ({why}).',
      'Messages would fare the same.',
      askThem,
    ],
  }),
  ...rows('clock')({
    'clock-good': ['good', 'Its clock and ours differ by {seconds} s.', 'Close enough for everything.'],
    'clock-off': [
      'odd',
      'Its clock is {seconds} s {side} ours.',
      'Times that are compared between the two may mislead people; fetching orders allows for it.',
      'Set both clocks by NTP.',
    ],
    'clock-far-off': [
      'mend',
      'Its clock is {seconds} s {side} ours.',
      'Signed requests may be refused, and moments of the two systems do not fit together.',
      'Set the clock that is wrong by NTP.',
    ],
    'clock-unsaid': [
      'odd',
      'It does not say what time it is (no Date header).',
      'A clock that is off would not be noticed.',
      'Nothing, if both clocks are set by NTP.',
    ],
  }),
  ...rows('writing')({
    'write-skipped': [
      'good',
      'Nothing was written there (--no-write).',
      'Whether it takes what is written is not known.',
    ],
    'write-not-tried': [
      'odd',
      'Nothing was written there: it does not list creating of Device.',
      'Whether it keeps to conditional create is not known.',
      'Nothing, if the lines on what it can are as meant.',
    ],
    'write-honoured': [
      'good',
      'A Device marked as a test was created on condition that there is none, and the repetition made no second one.',
      'A message that is sent twice leaves one resource.',
    ],
    'write-ignored': [
      'mend',
      'The same conditional create made a second Device.',
      'It ignores If-None-Exist: whatever is sent twice would be there twice.',
      'Ask for conditional create to be switched on, or for its CapabilityStatement to say that it is not.',
    ],
    'write-refuses-condition': [
      'odd',
      'The repetition of a conditional create was refused ({status}).',
      'No second one was made, but a repetition looks like a failure.',
      'Ask those who run that server: R4 wants 200 and the one that is there.',
    ],
    'write-unauthorized': [
      'mend',
      'Creating a Device was refused ({status}).',
      'We have no right to write there.',
      'Ask for the right to create and update what the README names.',
    ],
    'write-refused': [
      'mend',
      'Creating a Device was refused ({status}{codes}).',
      'It has rules for Device that go beyond R4, and our messages may break them too.',
      'Ask for its profile of Device, or for these rules.',
    ],
    'write-not-offered': [
      'mend',
      'Creating a Device is not possible ({status}), though it is listed.',
      'Its CapabilityStatement says more than it does.',
      askThem,
    ],
    'write-transactions-only': [
      'odd',
      'Creating a Device by itself is not possible ({status}), though it is listed.',
      'It takes transactions, and a linked order goes there as one; whether it keeps to conditions could not be tried.',
    ],
    'write-failed': ['mend', 'Creating a Device failed ({status}).', 'Our messages would fail as well.', askThem],
    'write-lost': [
      'odd',
      'A Device was created, and neither its address nor a search tells where.',
      'What was written cannot be changed later, nor taken back now: it has the identifier {identifier}.',
      'Have it deleted there. Ask for Location in the answer, and for search by identifier.',
    ],
    'write-taken-back': ['good', 'The test was deleted again.', 'Nothing of it is left.'],
    'write-left-behind': [
      'odd',
      '{places} could not be deleted ({status}).',
      'The test stays there: entered in error, marked as test data, of no patient. Daybind itself never deletes.',
      'Have it deleted there, if it is in the way.',
    ],
  }),
  ...rows('notifications')({
    'channel-none-wanted': [
      'good',
      'No notifications are asked for.',
      'Changes are seen when it is asked, every {poll}.',
    ],
    'channel-not-offered': [
      'odd',
      'It takes no Subscriptions.',
      'Changes are seen when it is asked, every {poll}; nothing is missed.',
      'Nothing; or ask for Subscription to be switched on if that is too late.',
    ],
    'channel-unreachable': [
      'odd',
      'It would notify {endpoint}, which is an address of this machine alone.',
      'No notification will arrive; changes are seen every {poll}.',
      'Set "publicUrl" to an address that {host} can reach, and have the way to it opened.',
    ],
    'channel-plain': [
      'odd',
      'It would notify {endpoint} over plain http.',
      'The secret of the notification can be read on the way; some servers refuse such addresses.',
      'Set "publicUrl" to an https address.',
    ],
    'channel-possible': [
      'good',
      'It will notify {endpoint}.',
      'It has to reach that address; whether it does shows when the service runs.',
      'Have POST and PUT from {host} to that address let through.',
    ],
    'channel-alive': ['good', 'Its Subscription to {endpoint} is {status}.', 'Notifications were agreed on.'],
    'channel-dead': [
      'odd',
      'Its Subscription to {endpoint} is {status}.',
      'Notifications do not arrive. Daybind makes it anew while it runs; meanwhile changes are seen every {poll}.',
      'If it stays so: look whether {host} can reach that address.',
    ],
  }),
} as const satisfies Record<string, Row>

export type FindingCode = keyof typeof table

export const findingCodes = Object.keys(table) as readonly FindingCode[]

const filled = (text: string, facts: Facts): string =>
  text.replace(/\{(\w+)\}/g, (whole, name: string) => (facts[name] === undefined ? whole : String(facts[name])))

/** A finding in words. */
export const finding = (code: FindingCode, facts: Facts = {}): Finding => {
  const row: Row = table[code]
  const text = (template: string) => filled(template, facts).trimEnd()
  return { check: row.check, code, level: row.level, says: text(row.says), means: text(row.means), do: text(row.do) }
}

/** Whether something has to be mended before messages get through as meant. */
export const mustMend = (findings: readonly Finding[]): boolean => findings.some(({ level }) => level === 'mend')
