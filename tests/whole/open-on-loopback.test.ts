/**
 * Without callers the service is open to callers on this machine, and to nobody who comes through a browser's page or
 * under a name of their own. Contract, section 3.
 *
 * Sources. RFC 9110, section 7.2: Host names the server, absent in HTTP/1.0. RFC 9112, section 3.2: a server answers
 * 400 where HTTP/1.1 has no Host or more than one; 3.2.2: an address in absolute form counts instead of Host. RFC 3986,
 * section 3.2.2: names of hosts are the same in either case. RFC 6454, section 7.3: `null` is the origin of nobody who
 * can be told. W3C Fetch Metadata Request Headers, section 2.3: `same-origin`, `same-site`, `cross-site`, `none`.
 * That a name of an attacker may lead to 127.0.0.1 (DNS rebinding) is common practice to guard against by Host.
 */
import { describe, expect, it } from 'vitest'
import { aPatient, refusalOf } from '../support/messages.ts'
import { sendLines } from '../support/raw-http.ts'
import { useTestService } from '../support/service.ts'

const service = useTestService({ callers: [] })

const ask = (headers: readonly string[], first = 'GET /fhir/Patient HTTP/1.1') =>
  sendLines(service().url, first, headers)
const statusOf = async (...asked: Parameters<typeof ask>): Promise<number> => (await ask(...asked)).status

it('every local caller may do everything, and the log says so', async () => {
  expect((await service().call('POST', '/fhir/Patient', { body: aPatient('LOCAL') })).status).toBe(201)
  for (const path of ['/fhir/Patient', '/deliveries', '/', '/fhir/AuditEvent'])
    expect([path, (await service().call('GET', path)).status]).toEqual([path, 200])
  expect(service().logText()).toContain('open on loopback')
  const line = service()
    .logLines()
    .find((l) => l.msg === 'request')
  expect(line).toMatchObject({ caller: 'local' })
})

describe('called under the name', () => {
  it.each([
    // loopback
    ['127.0.0.1', 200],
    ['127.0.0.1:8090', 200],
    ['127.0.0.2:8090', 200],
    ['127.255.255.254', 200],
    ['localhost', 200],
    ['localhost:8090', 200],
    ['LOCALHOST:8090', 200],
    ['LocalHost', 200],
    ['[::1]', 200],
    ['[::1]:8090', 200],
    // a port of another program that passes the call on, an ssh tunnel
    ['localhost:1', 200],
    ['localhost:65535', 200],
    // ports that are none
    ['localhost:65536', 403],
    ['localhost:99999', 403],
    ['localhost:', 403],
    ['localhost:8090:8090', 403],
    ['localhost:+8090', 403],
    ['localhost:0x1f9a', 403],
    // names that somebody lets lead here
    ['attacker.example', 403],
    ['attacker.example:8090', 403],
    ['localhost.attacker.example', 403],
    ['localhost.evil.example:8090', 403],
    ['attacker-localhost', 403],
    ['127.0.0.1.attacker.example', 403],
    ['127.0.0.1.nip-like.example:8090', 403],
    ['127-0-0-1.nip-like.example', 403],
    ['7f000001.nip-like.example', 403],
    ['www.localhost', 403],
    // other spellings of here, which nobody needs
    ['localhost.', 403],
    ['localhost.:8090', 403],
    ['127.1', 403],
    ['2130706433', 403],
    ['0x7f000001', 403],
    ['0177.0.0.1', 403],
    ['127.0.0.01', 403],
    ['127.0.0.256', 403],
    ['0.0.0.0', 403],
    ['[::]', 403],
    ['[::ffff:127.0.0.1]', 403],
    ['[0:0:0:0:0:0:0:1]', 403],
    ['::1', 403],
    ['[::1%25lo]', 403],
    // not one name
    ['', 403],
    ['localhost@attacker.example', 403],
    ['attacker.example@localhost', 403],
    ['localhost,attacker.example', 403],
    ['localhost attacker.example', 403],
    ['localhost/attacker.example', 403],
    ['localhost#.attacker.example', 403],
    ['localhost\tattacker.example', 403],
  ] as const)('%j: %i', async (host, expected) => {
    expect(await statusOf([`Host: ${host}`])).toBe(expected)
  })

  it.each([
    ['no name, in HTTP/1.0', [], 'GET /fhir/Patient HTTP/1.0', 403],
    ['no name, in HTTP/1.1', [], 'GET /fhir/Patient HTTP/1.1', 400],
    ['its own and another', ['Host: 127.0.0.1', 'Host: attacker.example'], 'GET /fhir/Patient HTTP/1.1', 400],
    ['another and its own', ['Host: attacker.example', 'Host: 127.0.0.1'], 'GET /fhir/Patient HTTP/1.1', 400],
    ['its own twice', ['Host: localhost', 'Host: localhost'], 'GET /fhir/Patient HTTP/1.1', 400],
    ['its own in the address', ['Host: localhost'], 'GET http://localhost/fhir/Patient HTTP/1.1', 200],
    ['another in the address', ['Host: localhost'], 'GET http://attacker.example/fhir/Patient HTTP/1.1', 403],
    ['another in the address alone', ['Host: 127.0.0.1'], 'GET https://attacker.example:8090/fhir HTTP/1.1', 403],
    ['its own in the address, as user', ['Host: localhost'], 'GET http://localhost@evil.example/fhir HTTP/1.1', 403],
    [
      'another beside its own in the address',
      ['Host: evil.example'],
      'GET http://localhost/fhir/Patient HTTP/1.1',
      403,
    ],
  ] as const)('%s', async (_, headers, first, expected) => {
    expect(await statusOf(headers, first)).toBe(expected)
  })
})

describe('called by a browser', () => {
  const own = 'Host: localhost:8090'
  it.each([
    ['for its own page', [own, 'Origin: http://localhost:8090', 'Sec-Fetch-Site: same-origin'], 200],
    ['for its own page, which says nothing of itself', [own, 'Origin: http://localhost:8090'], 200],
    ['whose page names it in another case', ['Host: LocalHost:8090', 'Origin: http://localhost:8090'], 200],
    ['from the address bar or a bookmark', [own, 'Sec-Fetch-Site: none'], 200],
    ['for a page of another site', [own, 'Origin: https://attacker.example', 'Sec-Fetch-Site: cross-site'], 403],
    ['for a page of another site, that says nothing more', [own, 'Origin: https://attacker.example'], 403],
    [
      'for a page that says another site and its own origin',
      [own, 'Origin: http://localhost:8090', 'Sec-Fetch-Site: cross-site'],
      403,
    ],
    ['for a file, or a frame without an origin', [own, 'Origin: null'], 403],
    ['for a page without an origin', [own, 'Origin:'], 403],
    ['for a page of another program on this machine', [own, 'Origin: http://localhost:3000'], 403],
    ['for that page, as it says itself', [own, 'Sec-Fetch-Site: same-site'], 403],
    ['for a page under its other name', [own, 'Origin: http://127.0.0.1:8090'], 403],
    ['for a page of the same name by https', [own, 'Origin: https://localhost:8090'], 403],
    ['for a page of the same name without the port', [own, 'Origin: http://localhost'], 403],
    ['for a page whose name begins like ours', [own, 'Origin: http://localhost:8090.attacker.example'], 403],
    ['that follows a link of another site', [own, 'Sec-Fetch-Site: cross-site', 'Sec-Fetch-Mode: navigate'], 403],
    ['that says two things', [own, 'Sec-Fetch-Site: same-origin', 'Sec-Fetch-Site: cross-site'], 403],
    ['that says a word that we do not know', [own, 'Sec-Fetch-Site: near-by'], 403],
    ['that has two origins', [own, 'Origin: http://localhost:8090', 'Origin: https://attacker.example'], 403],
    [
      'for its own page, by a name that leads here (DNS rebinding)',
      ['Host: attacker.example:8090', 'Origin: http://attacker.example:8090', 'Sec-Fetch-Site: same-origin'],
      403,
    ],
  ] as const)('%s: %#', async (_, headers, expected) => {
    expect(await statusOf(headers)).toBe(expected)
  })

  it('is told nothing that would let a page of another site read the answer', async () => {
    const asks = ['Access-Control-Request-Method: POST', 'Access-Control-Request-Private-Network: true']
    for (const origin of ['https://attacker.example', 'null', 'http://localhost:8090'])
      for (const first of ['OPTIONS /fhir HTTP/1.1', 'GET /fhir/Patient HTTP/1.1', 'OPTIONS * HTTP/1.1']) {
        const answer = await ask([own, `Origin: ${origin}`, ...asks], first)
        expect([first, answer.headers.filter((h) => h.startsWith('access-control-'))]).toEqual([first, []])
      }
  })

  it('keeps nothing of what it sent for another page', async () => {
    const patient = JSON.stringify(aPatient('FORGED'))
    for (const type of ['application/fhir+json', 'text/plain', 'application/x-www-form-urlencoded']) {
      const headers = [own, 'Origin: https://attacker.example', `Content-Type: ${type}`]
      const answer = await sendLines(service().url, 'POST /fhir/Patient HTTP/1.1', headers, patient)
      expect([type, answer.status]).toEqual([type, 403])
    }
    // what an old browser sends for a form, without a word of where it stands
    const form = [own, 'Content-Type: text/plain']
    expect((await sendLines(service().url, 'POST /fhir/Patient HTTP/1.1', form, patient)).status).toBe(415)
    expect((await service().call('GET', '/fhir/Patient?identifier=FORGED')).text).not.toContain('"entry"')
  })
})

it('is guarded at every address, also those that are public with callers, and those that are not there', async () => {
  const refused = async (first: string) => {
    const answer = await ask(['Host: attacker.example'], `${first} HTTP/1.1`)
    return [first, answer.status, answer.body.includes('"not-allowed"') || first.startsWith('HEAD')]
  }
  const filled = service().routeList.map((route) => route.replaceAll(/:[a-z]+/g, 'x'))
  expect(filled.length).toBeGreaterThan(40)
  for (const first of [...filled, 'GET /nowhere', 'PATCH /fhir/Patient', 'OPTIONS /fhir'])
    expect(await refused(first)).toEqual([first, 403, true])
})

it('the refusal says what is asked for, and repeats nothing of the request', async () => {
  const answer = await ask(['Host: attacker.example', 'Origin: https://attacker.example'])
  expect(refusalOf({ ...answer, headers: new Headers(), text: answer.body, body: JSON.parse(answer.body) })).toEqual({
    status: 403,
    codes: ['not-allowed'],
  })
  expect(answer.body).not.toContain('attacker')
})
