/** Our definitions over HTTP, and that they say of the service what it does. R4 4.0.1, search.html and http.html. */
import type {
  Bundle,
  CapabilityStatement,
  CodeSystem,
  OperationDefinition,
  OperationOutcome,
  Parameters,
  SearchParameter,
  StructureDefinition,
} from 'fhir/r4.js'
import { beforeAll, describe, expect, it } from 'vitest'
import { committed } from '../../profiles/build.ts'
import { definitionTypes } from '../support/definition-types.ts'
import { bundle, codesIn, entry, placeOrder, refusalOf } from '../support/messages.ts'
import { type Ask, useTestService } from '../support/service.ts'
import { errorsOf, noValidator, validate } from '../support/validator.ts'
import { applied, linkParameters, makeWorld, returnParameters } from '../support/world.ts'

const service = useTestService()
/** Without a token. */
const anybody: Ask = (...asked) => service().call(...asked)
const clinic: Ask = (...asked) => service().as('bay-3')(...asked)

const packaged = [...committed().package.values()].map((text) => JSON.parse(text))
const codeSystems = packaged.filter((d) => d.resourceType === 'CodeSystem').length

const idsOf = ({ entry = [] }: Bundle): readonly (string | undefined)[] =>
  entry.flatMap((e) => (e.search?.mode === 'match' ? [e.resource?.id] : []))

const search = async (query: string): Promise<Bundle> => {
  const { status, body, text } = await anybody<Bundle>('GET', `/fhir/${query}`)
  if (status !== 200) throw new Error(`${query}: ${status} ${text}`)
  return body
}

const parameters = (...parameter: NonNullable<Parameters['parameter']>): Parameters => ({
  resourceType: 'Parameters',
  parameter,
})
describe('a definition', () => {
  it('is served to everybody as it is in the package, each of them', async () => {
    for (const definition of packaged) {
      const answer = await anybody('GET', `/fhir/${definition.resourceType}/${definition.id}`)
      expect([definition.id, answer.status, answer.headers.get('content-type')]).toEqual([
        definition.id,
        200,
        'application/fhir+json; charset=utf-8',
      ])
      expect(answer.body).toEqual(definition)
    }
    expect(packaged.length).toBeGreaterThan(50)
  })

  it('has a tag, by which it need not be sent again', async () => {
    const [path, another] = ['/fhir/CodeSystem/gap', '/fhir/CodeSystem/refusal']
    const etag = (await anybody('GET', path)).headers.get('etag') ?? ''
    expect(etag).toMatch(/^W\/"[0-9a-f]{16}"$/)
    const again = async (at: string, tags: string) =>
      (await anybody('GET', at, { headers: { 'if-none-match': tags } })).status
    expect(await again(path, etag)).toBe(304)
    expect(await again(path, `W/"x", ${etag}`)).toBe(304)
    expect(await again(path, '*')).toBe(304)
    expect(await again(path, 'W/"x"')).toBe(200)
    expect(await again(another, etag)).toBe(200)
  })

  it.each(definitionTypes)('%s: one that is not there is not found, and none is written', async (type) => {
    expect(refusalOf(await anybody('GET', `/fhir/${type}/nobody`))).toEqual({ status: 404, codes: ['not-known'] })
    const write = await service().as('ops')('POST', `/fhir/${type}`, { body: { resourceType: type } })
    expect([write.status, write.headers.get('allow')]).toEqual([405, 'GET, HEAD, OPTIONS'])
  })
})

describe('a search for definitions', () => {
  it.each(definitionTypes)('%s: without conditions finds all', async (type) => {
    const all = packaged.filter((d) => d.resourceType === type)
    const body = await search(type)
    expect(body).toMatchObject({ type: 'searchset', total: all.length })
    expect(body.link).toEqual([{ relation: 'self', url: `${service().url}/fhir/${type}` }])
    expect(idsOf(body)).toEqual(all.map((d) => d.id))
    expect(body.entry?.[0]?.fullUrl).toBe(`${service().url}/fhir/${type}/${all[0]?.id}`)
  })

  const link = 'https://daybind.example/StructureDefinition/link'
  const version = packaged.find((d) => d.url === link).version

  it.each([
    ['a canonical, whatever its version', `url=${link}`, ['link']],
    ['a canonical in its version', `url=${link}|${version}`, ['link']],
    ['no canonical in another version', `url=${link}|0.0.1`, []],
    ['no canonical by its beginning', 'url=https://daybind.example/StructureDefinition/lin', []],
    ['one of several canonicals', `url=https://elsewhere.example/x,${link}`, ['link']],
    ['an id', '_id=link', ['link']],
    ['one of several ids', '_id=link,gap', ['gap', 'link']],
    ['a name by its beginning, in any case', 'name=daybindlink', ['link', 'linked-order']],
    ['a name exactly', 'name:exact=DaybindLink', ['link']],
    ['no name in another case, exactly', 'name:exact=daybindlink', []],
    ['a part of a name', 'name:contains=ndLink', ['link', 'linked-order']],
    ['what meets all conditions', 'name=daybindlink&_id=link,gap', ['link']],
    ['nothing by a value that nothing has', 'name=constructor', []],
  ])('finds %s', async (_, query, ids) => {
    const body = await search(`StructureDefinition?${query}`)
    expect([body.total, idsOf(body).toSorted()]).toEqual([ids.length, ids])
    expect(body.entry === undefined).toBe(ids.length === 0)
  })

  it('is answered page by page, none left out and none twice', async () => {
    const [all, found] = [idsOf(await search('ValueSet')), [] as (string | undefined)[]]
    let next: string | undefined = 'ValueSet?_count=5&name:contains=e'
    const matching = idsOf(await search('ValueSet?name:contains=e'))
    for (; next !== undefined; ) {
      const body: Bundle = await search(next)
      expect([body.total, idsOf(body).length <= 5]).toEqual([matching.length, true])
      found.push(...idsOf(body))
      next = body.link?.find((l) => l.relation === 'next')?.url.replace(/^.*\/fhir\//, '')
    }
    expect(found).toEqual(matching)
    expect(matching.length).toBeGreaterThan(5)
    expect(matching.length).toBeLessThan(all.length + 1)
  })

  it('only counts with _count=0', async () => {
    const body = await search('CodeSystem?_count=0')
    expect([body.total, body.entry, body.link?.length]).toEqual([codeSystems, undefined, 1])
  })

  it('tells of a parameter that it does not know, and refuses it where strictness is asked for', async () => {
    const body = await search('CodeSystem?publisher=x&constructor=y')
    expect(idsOf(body)).toHaveLength(codeSystems)
    expect(codesIn(body.entry?.at(-1)?.resource as OperationOutcome)).toEqual([
      'unknown-parameter',
      'unknown-parameter',
    ])
    expect(body.link?.[0]?.url).toBe(`${service().url}/fhir/CodeSystem`)
    const strict = { headers: { prefer: 'handling=strict' } }
    expect(refusalOf(await anybody('GET', '/fhir/CodeSystem?publisher=x', strict))).toEqual({
      status: 400,
      codes: ['unknown-parameter'],
    })
  })

  it.each(['_count=many', '_count=-1', '_cursor=x'])('refuses %s', async (query) => {
    expect(refusalOf(await anybody('GET', `/fhir/CodeSystem?${query}`))).toEqual({
      status: 400,
      codes: ['wrong-parameter'],
    })
  })
})

describe('the CapabilityStatement', () => {
  let statement: CapabilityStatement
  beforeAll(async () => {
    statement = (await anybody<CapabilityStatement>('GET', '/fhir/metadata')).body
  })
  const rest = () => statement.rest?.[0]
  const byUrl = async <T>(type: string, url: string): Promise<T | undefined> =>
    (await search(`${type}?url=${url}`)).entry?.[0]?.resource as T | undefined

  it('names for each type of ours its profiles, and each is there', async () => {
    const named = Object.fromEntries(
      (rest()?.resource ?? []).flatMap((r) => (r.supportedProfile ? [[r.type, r.supportedProfile]] : [])),
    )
    for (const [type, urls] of Object.entries(named))
      for (const url of urls)
        expect(await byUrl<StructureDefinition>('StructureDefinition', url)).toMatchObject({ url, type })
    const all = packaged.filter((d) => d.resourceType === 'StructureDefinition' && d.type !== 'Extension')
    expect(Object.values(named).flat().toSorted()).toEqual(all.map((d) => d.url).toSorted())
    expect(Object.keys(named)).toContain('ServiceRequest')
  })

  it('names for each operation of ours its definition, which says at which addresses it is', async () => {
    const named = [...(rest()?.resource ?? []).flatMap((r) => r.operation ?? []), ...(rest()?.operation ?? [])]
    const ours = named.filter((o) => o.name !== 'validate')
    const addresses = await Promise.all(
      ours.map(async ({ definition }) => {
        const o = await byUrl<OperationDefinition>('OperationDefinition', definition)
        const of = (o?.resource ?? []).flatMap((type) => [
          ...(o?.type ? [`POST /fhir/${type}/$${o.code}`] : []),
          ...(o?.instance ? [`POST /fhir/${type}/:id/$${o.code}`] : []),
        ])
        return [...(o?.system ? [`POST /fhir/$${o.code}`] : []), ...of]
      }),
    )
    const built = new Set(ours.map((o) => `$${o.name}`))
    const routes = service().routeList.filter((route) => built.has(route.split('/').at(-1) ?? ''))
    expect(addresses.flat().toSorted()).toEqual(routes.toSorted())
    expect(
      packaged
        .filter((d) => d.resourceType === 'OperationDefinition')
        .map((d) => `$${d.code}`)
        .toSorted(),
    ).toEqual([...built].toSorted())
  })

  it('names for each search parameter of ours its definition', async () => {
    const own = (rest()?.resource ?? []).flatMap((r) =>
      (r.searchParam ?? []).flatMap((p) => (p.definition === undefined ? [] : [{ ...p, base: r.type as string }])),
    )
    expect(own.map((p) => `${p.base}:${p.name}`).sort()).toEqual([
      'Binary:content-type',
      'DetectedIssue:status',
      'DeviceUseStatement:based-on',
      'DeviceUseStatement:status',
      'DiagnosticReport:mark',
    ])
    for (const { base, name, definition = '' } of own)
      expect(await byUrl<SearchParameter>('SearchParameter', definition)).toMatchObject({ code: name, base: [base] })
  })

  it('says how definitions are read and searched', () => {
    for (const type of definitionTypes)
      expect(rest()?.resource?.find((r) => r.type === type)).toEqual({
        type,
        interaction: [{ code: 'search-type' }, { code: 'read' }],
        versioning: 'no-version',
        readHistory: false,
        updateCreate: false,
        conditionalRead: 'not-match',
        searchParam: [
          { name: 'url', type: 'uri' },
          { name: 'name', type: 'string' },
        ],
      })
  })

  it('is right by the reference validator', async (context) => {
    if (noValidator !== undefined) context.skip(noValidator)
    expect(errorsOf(await validate([{ name: 'CapabilityStatement', json: statement }]))).toEqual([])
  }, 900_000)
})

describe('an OperationDefinition', () => {
  /** What of an answer its definition does not say: names, types and how many of each. */
  const unsaid = async (code: string, answer: Parameters): Promise<readonly string[]> => {
    const { body } = await anybody<OperationDefinition>('GET', `/fhir/OperationDefinition/${code}`)
    const outs = (body.parameter ?? []).filter((p) => p.use === 'out')
    const given = (name: string) => (answer.parameter ?? []).filter((p) => p.name === name)
    return [
      ...(answer.parameter ?? [])
        .filter((p) => !outs.some((o) => o.name === p.name && o.type === p.resource?.resourceType))
        .map((p) => `${p.name}: ${p.resource?.resourceType}`),
      ...outs
        .filter((o) => given(o.name).length < o.min || (o.max === '1' && given(o.name).length > 1))
        .map((o) => `${given(o.name).length} × ${o.name}`),
    ]
  }

  const ask = async (code: string, path: string, body: Parameters, status = 200): Promise<Parameters> => {
    const answer = await clinic<Parameters>('POST', `/fhir/${path}/$${code}`, { body })
    expect([code, answer.status, answer.text]).toEqual([code, status, expect.any(String)])
    expect([code, await unsaid(code, answer.body)]).toEqual([code, []])
    return answer.body
  }

  const reason = (valueCode: string) => ({ name: 'reason', valueCode })

  it('says what its operation answers', async () => {
    const ehr = service().as('harbour-ehr')
    const [one, two] = [await placeOrder(ehr, 'D-1', 'TH-D1'), await placeOrder(ehr, 'D-2', 'TH-D2')]
    const linked = await ask('link-device', `ServiceRequest/${one.orderId}`, linkParameters('DEF1', 'TH-D1'))
    const link = linked.parameter?.find((p) => p.name === 'link')?.resource?.id
    const corrected = await ask(
      'correct-link',
      `DeviceUseStatement/${link}`,
      parameters(
        { name: 'reason', valueString: 'Wrong place.' },
        { name: 'bodySite', valueCodeableConcept: { text: 'Chest' } },
      ),
    )
    const right = corrected.parameter?.find((p) => p.name === 'link')?.resource?.id
    await ask(
      'end-link',
      `DeviceUseStatement/${right}`,
      parameters({ name: 'endedAt', valueDateTime: applied.replace(/..Z$/, '59Z') }, reason('removed')),
    )
    await ask('record-return', 'Device', returnParameters('DEF1'))
    await ask('record-return', 'Device', returnParameters('DEF2'))
    await ask('record-not-applied', `ServiceRequest/${two.orderId}`, parameters(reason('no-show')))
    await ask(
      'record-application',
      'Device',
      parameters(
        { name: 'scan', valueString: '(01)09520123456788(21)DEF3' },
        { name: 'appliedAt', valueDateTime: applied },
        { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' } },
        { name: 'evidence', valueCode: 'capture' },
      ),
    )
  })

  it('names what is missing as the operation does', async () => {
    const { body } = await anybody<OperationDefinition>('GET', '/fhir/OperationDefinition/record-application')
    const needed = (body.parameter ?? []).filter((p) => p.use === 'in' && p.min === 1).map((p) => p.name)
    const refused = await clinic('POST', '/fhir/Device/$record-application', {
      body: parameters({ name: 'captureKey', valueString: 'k' }),
    })
    for (const name of needed) expect(refused.text).toContain(`${name} (`)
    expect(needed).toEqual(['appliedAt', 'site', 'evidence'])
  })
})

describe('the profiles', () => {
  /** By which profile each type is judged; a type that is not here by R4 alone. */
  const profiles: Readonly<Record<string, string>> = {
    ServiceRequest: 'order',
    Patient: 'patient',
    Device: 'recorder',
    DeviceUseStatement: 'link',
    Procedure: 'application',
    Task: 'reading-task',
    Observation: 'stub-observation',
    DiagnosticReport: 'stub-report',
    DetectedIssue: 'gap',
    MeasureReport: 'evening',
  }
  /** Once the reading service has reported, its words are by another profile, and its Observations by none of ours. */
  const reported = (type: string, status: string): string | undefined => {
    if (status === 'registered' || status === 'entered-in-error') return undefined
    return type === 'DiagnosticReport' ? 'report' : undefined
  }
  // the text of an evening tells 1.0000, which parsed is 1: it is stamped as text
  const stamped = (text: string): string =>
    text.replaceAll(
      /"resourceType":"(\w+)","id":"[^"]+",("meta":\{)?/g,
      (whole, type: string, meta?: string, at = 0) => {
        const [, status = ''] = /"status":"([a-z-]+)"/.exec(text.slice(at)) ?? []
        const profile = reported(type, status) ?? profiles[type]
        const words = type === 'Observation' && status !== 'registered' && status !== 'entered-in-error'
        if (profile === undefined || words) return whole
        const named = `"profile":["https://daybind.example/StructureDefinition/${profile}"]`
        return meta === undefined ? `${whole}"meta":{${named}},` : `${whole}${named},`
      },
    )

  it('hold for everything that the service gives, by the reference validator', async (context) => {
    if (noValidator !== undefined) context.skip(noValidator)
    const world = await makeWorld(service())
    const read = Object.entries(world).map(([type, id]) => `/fhir/${type}/${id}`)
    const stubs = ['Observation', 'DiagnosticReport'] as const
    read.push(...stubs.map((type) => `/fhir/${type}/${world[type]}/_history/1`))
    const texts = await Promise.all(
      [...read, '/fhir/DetectedIssue', '/fhir/Task', '/fhir/DeviceUseStatement'].map(async (path) => ({
        name: path,
        json: stamped((await service().as('ops')('GET', path)).text),
      })),
    )
    const evening = await clinic('POST', '/fhir/$reconcile-day', {
      body: parameters(
        { name: 'site', valueIdentifier: { system: 'https://daybind.example/sites', value: 'tern-harbour' } },
        { name: 'date', valueDate: applied.slice(0, 10) },
      ),
    })
    const all = [...texts, { name: 'evening', json: stamped(evening.text) }]
    for (const profile of [...Object.values(profiles), 'report'])
      expect([profile, all.some(({ json }) => json.includes(`/StructureDefinition/${profile}"]`))]).toEqual([
        profile,
        true,
      ])
    expect(errorsOf(await validate(all))).toEqual([])
  }, 900_000)

  it('show what is taken: their examples of a patient and an order are', async () => {
    const example = (name: string) => JSON.parse(committed().examples.get(`${name}.json`) ?? '')
    const [patient, order] = [example('patient'), example('order')]
    const message = bundle(
      'transaction',
      entry('POST Patient', patient, {}, `urn:uuid:${patient.id}`),
      entry('POST ServiceRequest', { ...order, subject: { reference: `urn:uuid:${patient.id}` } }),
    )
    const answer = await service().as('harbour-ehr')<Bundle>('POST', '/fhir', { body: message })
    expect(answer.body.entry?.map((e) => e.response?.status)).toEqual(['201 Created', '201 Created'])
  })
})

describe('the code system of refusals', () => {
  it('says what a refusal says', async () => {
    const { body } = await anybody<CodeSystem>('GET', '/fhir/CodeSystem/refusal')
    const refused = await anybody('GET', '/fhir/StructureDefinition/nobody')
    const coding = refused.body.issue[0]?.details?.coding?.[0]
    const concept = body.concept?.find((c) => c.code === coding?.code)
    expect(coding?.system).toBe(body.url)
    expect(concept?.definition).toBe(refused.body.issue[0]?.details?.text)
    expect(concept?.property).toEqual([
      { code: 'status', valueInteger: refused.status },
      { code: 'issue', valueCode: refused.body.issue[0]?.code },
    ])
  })
})
