/** Versions: R4 4.0.1, http.html, "vread", "history" and "Conditional Read"; whose they are is Daybind's own rule. */
import type { Bundle, Device, Patient, ServiceRequest } from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { anOrder, aPatient, harbour, lowwater, placeOrder, refusalOf } from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'
import { linkParameters, makeWorld, readTypes, returnParameters, type World } from '../support/world.ts'

const service = useTestService()
const operator: Ask = (...asked) => service().as('ops')(...asked)
const ehr: Ask = (...asked) => service().as('harbour-ehr')(...asked)
const clinic: Ask = (...asked) => service().as('bay-3')(...asked)
const nobody = '01900000-0000-7000-8000-000000000001'
let world: World
beforeAll(async () => {
  world = await makeWorld(service())
})

/** The version numbers that a history shows, as listed. */
const versionsFor = async (ask: Ask, path: string): Promise<readonly (string | undefined)[] | number> => {
  const { status, body } = await ask<Bundle>('GET', `/fhir/${path}/_history?_count=200`)
  return status === 200 ? (body.entry ?? []).map((e) => e.resource?.meta?.versionId) : status
}

/** A patient of harbour-ehr, revised so often. */
const revisedPatient = async (number: string, families: readonly string[]): Promise<string> => {
  let id = ''
  for (const family of families) {
    const body = aPatient(number, { name: [{ family, given: ['Anna'] }] })
    const answer = await ehr<Patient>('PUT', `/fhir/Patient?identifier=${harbour.patients}|${number}`, { body })
    id = answer.body.id ?? ''
  }
  return id
}

describe('the history of a resource', () => {
  it('lists its versions, newest first, each with how it came to be', async () => {
    const id = await revisedPatient('V1', ['One', 'Two', 'Three'])
    const { status, body } = await ehr<Bundle<Patient>>('GET', `/fhir/Patient/${id}/_history`)
    expect([status, body.type, body.total]).toEqual([200, 'history', 3])
    expect(body.link).toEqual([{ relation: 'self', url: `${service().url}/fhir/Patient/${id}/_history` }])
    expect(
      body.entry?.map((e) => [e.resource?.name?.[0]?.family, e.request, e.response?.status, e.response?.etag]),
    ).toEqual([
      ['Three', { method: 'PUT', url: `Patient/${id}` }, '200 OK', 'W/"3"'],
      ['Two', { method: 'PUT', url: `Patient/${id}` }, '200 OK', 'W/"2"'],
      ['One', { method: 'POST', url: 'Patient' }, '201 Created', 'W/"1"'],
    ])
    for (const e of body.entry ?? []) {
      expect(e.fullUrl).toBe(`${service().url}/fhir/Patient/${id}`)
      expect(e.response?.lastModified).toBe(e.resource?.meta?.lastUpdated)
      expect(e.search).toBeUndefined()
    }
  })

  it('comes in pages that hold still while versions are added', async () => {
    const id = await revisedPatient('V2', ['A', 'B', 'C', 'D', 'E'])
    const seen: (string | undefined)[] = []
    for (let next: string | undefined = `/fhir/Patient/${id}/_history?_count=2`; next !== undefined; ) {
      const { body }: { body: Bundle } = await ehr<Bundle>('GET', next)
      seen.push(...(body.entry ?? []).map((e) => e.resource?.meta?.versionId))
      next = body.link?.find((l) => l.relation === 'next')?.url.replace(service().url, '')
      await revisedPatient('V2', [`later ${seen.length}`])
    }
    expect(seen).toEqual(['5', '4', '3', '2', '1'])
  })

  it('since a moment: only what was made at or after it', async () => {
    const id = await revisedPatient('V3', ['A', 'B', 'C'])
    const { body } = await ehr<Bundle>('GET', `/fhir/Patient/${id}/_history`)
    const second = body.entry?.[1]?.response?.lastModified ?? ''
    const since = await ehr<Bundle>('GET', `/fhir/Patient/${id}/_history?_since=${second}`)
    expect([since.body.total, since.body.entry?.map((e) => e.resource?.meta?.versionId)]).toEqual([2, ['3', '2']])
    const later = await ehr<Bundle>('GET', `/fhir/Patient/${id}/_history?_since=2100`)
    expect([later.body.total, later.body.entry]).toEqual([0, undefined])
  })

  it.each(['_count=many', '_since=soon', '_cursor=x'])('with a wrong value is 400: %s', async (query) => {
    expect(refusalOf(await ehr('GET', `/fhir/Patient/${world.Patient}/_history?${query}`))).toEqual({
      status: 400,
      codes: ['wrong-parameter'],
    })
  })

  it('passes an unknown parameter over, and refuses it when strict', async () => {
    const path = `/fhir/Patient/${world.Patient}/_history?_at=2026`
    expect((await ehr('GET', path)).status).toBe(200)
    expect(refusalOf(await ehr('GET', path, { headers: { prefer: 'handling=strict' } }))).toEqual({
      status: 400,
      codes: ['unknown-parameter'],
    })
  })

  it.each(readTypes)('%s has one, and each of its versions is read by its number', async (type) => {
    const path = `/fhir/${type}/${world[type]}`
    const { status, body } = await operator<Bundle>('GET', `${path}/_history`)
    expect([status, body.total]).toEqual([200, body.entry?.length])
    for (const e of body.entry ?? []) {
      const version = e.resource?.meta?.versionId
      const one = await operator('GET', `${path}/_history/${version}`)
      expect([one.status, one.body, one.headers.get('etag')]).toEqual([200, e.resource, `W/"${version}"`])
      expect(Date.parse(one.headers.get('last-modified') ?? '')).toBe(
        Math.floor(Date.parse(e.resource?.meta?.lastUpdated ?? '') / 1000) * 1000,
      )
    }
  })

  it('of what is not there or not visible, and a version that is not there: the same answer', async () => {
    const path = `/fhir/Patient/${world.Patient}`
    const lowwater = service().as('lowwater-ehr')
    const answers = [
      await lowwater('GET', `${path}/_history`),
      await lowwater('GET', `${path}/_history?_count=x`),
      await lowwater('GET', `${path}/_history/1`),
      await ehr('GET', `/fhir/Patient/${nobody}/_history`),
      await ehr('GET', `/fhir/Patient/${nobody}/_history/1`),
      await ehr('GET', '/fhir/Patient/4711/_history'),
      await ehr('GET', `${path}/_history/99`),
      await ehr('GET', `${path}/_history/0`),
      await ehr('GET', `${path}/_history/x`),
    ]
    expect(answers.map((a) => a.status)).toEqual(Array(9).fill(404))
    expect(new Set(answers.map((a) => a.text)).size).toBe(1)
  })
})

describe('an earlier version is shown to whom it was shown while it stood', () => {
  const at = (site: string) => ({
    locationReference: [{ identifier: { system: 'https://daybind.example/sites', value: site } }],
  })

  it('an order that moved: its old site reads it no more, its new site from the move on, its source all of it', async () => {
    const { orderId, patientId } = await placeOrder(ehr, 'MOVED', 'MOVED')
    const [path, lane] = [`ServiceRequest/${orderId}`, service().as('lane-desk')]
    expect([await versionsFor(clinic, path), await versionsFor(lane, path)]).toEqual([['1'], 404])
    const put = (over: Partial<ServiceRequest>) =>
      ehr('PUT', `/fhir/${path}`, { body: anOrder('MOVED', `Patient/${patientId}`, over) })
    await put({ ...at('quarry-lane'), note: [{ text: 'moved' }] })
    expect([await versionsFor(clinic, path), await versionsFor(lane, path)]).toEqual([404, ['2']])
    expect((await clinic('GET', `/fhir/${path}/_history/1`)).status).toBe(404)
    expect((await lane('GET', `/fhir/${path}/_history/1`)).status).toBe(404)
    await put({ ...at('tern-harbour'), note: [{ text: 'and back' }] })
    expect(await versionsFor(clinic, path)).toEqual(['3', '1'])
    expect(await versionsFor(lane, path)).toBe(404)
    expect(await versionsFor(ehr, path)).toEqual(['3', '2', '1'])
    expect(await versionsFor(operator, path)).toEqual(['3', '2', '1'])
  })

  it('an order that is linked: the reading service reads what was sent to it, and nothing of before', async () => {
    const { orderId, patientId } = await placeOrder(ehr, 'SENT', 'SENT', {
      order: { note: [{ text: 'not for others' }] },
    })
    const path = `ServiceRequest/${orderId}`
    await ehr('PUT', `/fhir/${path}`, { body: anOrder('SENT', `Patient/${patientId}`) })
    const body = linkParameters('SENT', 'SENT')
    expect((await clinic('POST', `/fhir/${path}/$link-device`, { body })).status).toBe(200)
    await ehr('PUT', `/fhir/${path}`, { body: anOrder('SENT', `Patient/${patientId}`, { note: [{ text: 'worn' }] }) })
    expect(await versionsFor(service().as('pebble'), path)).toEqual(['3', '2'])
    expect((await service().as('pebble')('GET', `/fhir/${path}/_history/1`)).status).toBe(404)
    expect(await versionsFor(clinic, path)).toEqual(['3', '2', '1'])
  })

  it('a device: no version tells anybody of a patient whom they may not see', async () => {
    const { orderId, patientId } = await placeOrder(ehr, 'WORN', 'WORN')
    const linked = await clinic('POST', `/fhir/ServiceRequest/${orderId}/$link-device`, {
      body: linkParameters('WORN', 'WORN'),
    })
    const device = JSON.stringify(linked.body).match(/"Device\/([0-9a-f-]{36})"/)?.[1] ?? ''
    const lane = service().as('lane-desk')
    expect((await lane('POST', '/fhir/Device/$record-return', { body: returnParameters('WORN') })).status).toBe(200)
    // the next patient of the recorder is another site's
    const next = await placeOrder(service().as('lowwater-ehr'), 'NEXT', 'NEXT', {}, lowwater)
    const body = linkParameters('WORN', 'NEXT')
    const parameter = (body.parameter ?? []).map((p) => {
      if (p.name === 'appliedAt')
        return { ...p, valueDateTime: `${new Date(Date.now() - 60_000).toISOString().slice(0, 19)}Z` }
      return p.name === 'patientIdentifier'
        ? { ...p, valueIdentifier: { system: lowwater.patients, value: 'NEXT' } }
        : p
    })
    const again = await lane('POST', `/fhir/ServiceRequest/${next.orderId}/$link-device`, {
      body: { ...body, parameter },
    })
    expect([again.status, again.text]).toEqual([200, expect.stringContaining(next.patientId)])

    const texts = async (ask: Ask) => {
      const { body: all } = await ask<Bundle<Device>>('GET', `/fhir/Device/${device}/_history`)
      const each = (all.entry ?? []).map((e) =>
        ask('GET', `/fhir/Device/${device}/_history/${e.resource?.meta?.versionId}`),
      )
      return JSON.stringify([all, (await Promise.all(each)).map((a) => a.body)])
    }
    expect(await texts(operator)).toContain(patientId)
    expect(await texts(operator)).toContain(next.patientId)
    expect(await texts(clinic)).toContain(patientId)
    expect(await texts(clinic)).not.toContain(next.patientId)
    expect(await texts(lane)).toContain(next.patientId)
    expect(await texts(lane)).not.toContain(patientId)
  })
})

describe('a conditional read', () => {
  const path = () => `/fhir/Patient/${world.Patient}`
  const status = async (headers: Record<string, string>, to = path()) => (await ehr('GET', to, { headers })).status

  it('answers 304, without a body, where the version is known', async () => {
    const { headers } = await ehr('GET', path())
    const etag = headers.get('etag') ?? ''
    const answer = await ehr('GET', path(), { headers: { 'if-none-match': etag } })
    expect([answer.status, answer.text, answer.headers.get('etag')]).toEqual([304, '', etag])
    expect(answer.headers.get('last-modified')).toBe(headers.get('last-modified'))
    for (const tags of ['*', etag.replace('W/', ''), `"77", ${etag}`])
      expect([tags, await status({ 'if-none-match': tags })]).toEqual([tags, 304])
    for (const tags of ['W/"77"', '"', etag.replaceAll('"', '')])
      expect([tags, await status({ 'if-none-match': tags })]).toEqual([tags, 200])
  })

  it('or where it has not changed since a moment, told to the second', async () => {
    const modified = (await ehr('GET', path())).headers.get('last-modified') ?? ''
    const before = new Date(Date.parse(modified) - 1000).toUTCString()
    expect(await status({ 'if-modified-since': modified })).toBe(304)
    expect(await status({ 'if-modified-since': before })).toBe(200)
    expect(await status({ 'if-modified-since': 'yesterday' })).toBe(200)
    // RFC 9110, 13.1.3: not looked at beside If-None-Match
    expect(await status({ 'if-modified-since': modified, 'if-none-match': 'W/"77"' })).toBe(200)
  })

  it('asks for a version too, and tells nobody more than a read', async () => {
    expect(await status({ 'if-none-match': 'W/"1"' }, `${path()}/_history/1`)).toBe(304)
    const other = await service().as('lowwater-ehr')('GET', path(), { headers: { 'if-none-match': '*' } })
    expect(other.status).toBe(404)
  })
})
