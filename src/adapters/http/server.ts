/** The server: bodies parsed once at the door, every error an OperationOutcome, one line in the log for each request. */
import { randomUUIDv7 } from 'node:crypto'
import Fastify, { type FastifyInstance, type FastifyReply, type FastifyRequest } from 'fastify'
import type { Logger } from 'pino'
import { keptTypes } from '../../flow/accept-order/place.ts'
import type { ActingCaller } from '../../flow/step.ts'
import type { Configuration } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import { parseJson } from '../fhir/door/parse-json.ts'
import { kindOf } from '../kind-of-error.ts'
import { isOutage } from '../postgres/database.ts'
import { addressesOf, allowOf } from './addresses.ts'
import { type Call, problemReply, type Reply, type Route } from './call.ts'
import { openGuard, sightOf, whoCalls } from './callers.ts'
import { brokenAddress, forRoute, queryOf, queryProblems } from './query.ts'
import {
  fhirJson,
  harmlessHeaders,
  maxHeaderSize,
  type RequestDeadlines,
  usualDeadlines,
  Wire,
  wireProblem,
} from './wire.ts'

const formType = 'application/x-www-form-urlencoded'
const bodyLimit = 1024 * 1024
const ofRelease = 'application/fhir+json; fhirVersion=4.0'

declare module 'fastify' {
  interface FastifyInstance {
    /** Every method with its address, as the server knows them: `GET /fhir/:type/:id`. */
    routeList: readonly string[]
  }
  interface FastifyRequest {
    acting?: ActingCaller
    received?: {
      readonly body: unknown
      readonly text: string
      readonly problems: readonly Problem[]
      /** It came as the fields of a form. */
      readonly form?: true
    }
  }
}

/** A UUID, or the 32 digits of a W3C trace id. What people make up may be a patient's number or name. */
const machineMade = /^([0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}|[0-9a-f]{32})$/i

/** Logged and sent on, so it is taken from the caller only where it can be nobody's data. */
const requestId = (given: string | undefined): string =>
  given !== undefined && machineMade.test(given) ? given : randomUUIDv7()

/** The caller's own id where ours took its place; as R4's http.html has it, Custom Headers. */
const correlation = (request: FastifyRequest): Record<string, string> => {
  const given = request.headers['x-request-id']
  return typeof given === 'string' && given !== request.id && /^[\x21-\x7e]{1,128}$/.test(given)
    ? { 'x-correlation-id': given }
    : {}
}

/** R4, http.html, "FHIR Version Parameter": a media type may name the release; without it R4 is meant. */
const isOtherRelease = (mediaType: string): boolean => {
  const release = /;\s*fhirVersion\s*=\s*"?([^";\s]*)/i.exec(mediaType)?.[1]
  return release !== undefined && !/^4\.0(\.\d+)?$/.test(release)
}

/** `application/json` only for who asks for it and not for FHIR's own. */
const answerType = (asked: string | undefined): string | undefined => {
  if (!asked) return fhirJson
  const accept = asked.includes('=')
    ? asked
        .split(',')
        .filter((part) => !isOtherRelease(part))
        .join()
    : asked
  if (/\*\/\*|application\/\*|application\/fhir\+json|application\/json\+fhir/i.test(accept)) return fhirJson
  return /(application|text)\/json/i.test(accept) ? 'application/json; charset=utf-8' : undefined
}

const formatProblems = (request: FastifyRequest, query: URLSearchParams, url: string): readonly Problem[] => {
  const format = query.get('_format')
  const wrong = format !== null && !/json/i.test(format)
  if (!url.startsWith('/fhir') || (!wrong && answerType(request.headers.accept) !== undefined)) return []
  return [
    refusal('format-not-offered', '', {
      found: wrong ? format : request.headers.accept,
      expected: /fhirVersion/i.test(request.headers.accept ?? '') && !wrong ? ofRelease : 'application/fhir+json',
      location: wrong ? 'http._format' : 'http.Accept',
    }),
  ]
}

const send = (request: FastifyRequest, reply: FastifyReply, answer: Reply): FastifyReply => {
  reply.code(answer.status).headers({ ...harmlessHeaders(request.id), ...correlation(request), ...answer.headers })
  if (answer.body === undefined) return reply.send()
  return reply.type(answer.type ?? answerType(request.headers.accept) ?? fhirJson).send(answer.body)
}

const callOf = (request: FastifyRequest, query: URLSearchParams, configuration: Configuration): Call => {
  const caller = request.acting ?? anybody
  return {
    caller,
    sight: sightOf(caller, configuration.sites),
    requestId: request.id,
    params: request.params as Record<string, string>,
    query: forRoute(query),
    header: (name) => {
      const value = request.headers[name]
      return Array.isArray(value) ? value.join(', ') : value
    },
    body: request.received?.body,
    text: request.received?.text ?? '',
    dryRun: query.has('dry-run', 'true'),
  }
}

/** What is looked at before anything else. */
type Guarded = Pick<Route, 'may' | 'page'>

const allows = (route: Guarded, caller: ActingCaller): boolean =>
  route.may === 'public' || caller.role === 'local' || route.may.includes(caller.role)

/** A browser that is refused a page asks the person for the token. */
const asking = (answer: Reply, route: Guarded): Reply =>
  route.page && answer.status === 401
    ? {
        ...answer,
        headers: {
          ...answer.headers,
          'www-authenticate': 'Basic realm="Daybind: your token as password", charset="UTF-8"',
        },
      }
    : answer

/** Before anything is read of the body: who is it, and may they. */
const admit =
  (route: Guarded, configuration: Configuration) =>
  async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply | undefined> => {
    const who = route.may === 'public' ? anybody : whoCalls(configuration, linesOf(request), route.page)
    if (!('role' in who)) return send(request, reply, asking(problemReply(who), route))
    request.acting = who
    if (allows(route, who)) return undefined
    const expected = (route.may as readonly string[]).join(' or ')
    return send(request, reply, problemReply([refusal('not-allowed', '', { found: who.role, expected })]))
  }

const linesOf = (request: FastifyRequest) => (name: string) => request.raw.headersDistinct[name] ?? []

/** Without callers whoever reaches us may do everything, so that nobody else may: at every address. */
const guardOpen = async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply | undefined> => {
  const problems = openGuard(linesOf(request), request.raw.url ?? '')
  return problems.length > 0 ? send(request, reply, problemReply(problems)) : undefined
}

const anybody: ActingCaller = { id: 'anybody', role: 'local' }

const handler =
  (route: Route, configuration: Configuration) =>
  async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> => {
    const query = queryOf(request)
    const call = callOf(request, query, configuration)
    const media = route.anyBody ? [] : mediaProblems(request, route)
    const unread = route.anyBody ? [] : (request.received?.problems ?? [])
    const problems = [
      ...formatProblems(request, query, route.url),
      ...queryProblems(request, query, route),
      // what came as something else than JSON cannot be judged as JSON
      ...(media.length > 0 ? media : unread),
    ]
    if (problems.length === 0) return send(request, reply, await route.handle(call))
    const missing = route.find === undefined ? [] : await route.find(call)
    return send(request, reply, problemReply([...missing, ...problems]))
  }

const typesTaken = (route: Route): string => (route.form ? formType : 'application/fhir+json')

/**
 * A form is taken where a search is asked for, and nothing else is taken there. JSON in FHIR is UTF-8, and it comes
 * as it is: unpacking what others have packed is a way to make a small request large.
 */
const mediaProblems = (request: FastifyRequest, route: Route): readonly Problem[] => {
  if (request.received === undefined) return []
  const { 'content-type': type = '', 'content-encoding': coding } = request.headers
  const problems: Problem[] = []
  const charset = type.includes('=') ? /;\s*charset\s*=\s*"?([^";\s]*)/i.exec(type)?.[1] : undefined
  const otherRelease = isOtherRelease(type)
  const otherCharset = charset !== undefined && !/^utf-?8$/i.test(charset)
  if (otherRelease || otherCharset || (request.received.form ?? false) !== (route.form ?? false))
    problems.push(
      refusal('media-type-not-taken', '', {
        found: type,
        expected: `${otherRelease ? ofRelease : typesTaken(route)}${otherCharset ? ' in UTF-8' : ''}`,
        location: 'http.Content-Type',
      }),
    )
  if (coding !== undefined && coding.toLowerCase() !== 'identity')
    problems.push(
      refusal('content-coding-not-taken', '', {
        found: coding,
        expected: 'no Content-Encoding',
        location: 'http.Content-Encoding',
      }),
    )
  return problems
}

/** A body is kept as text and as parsed; what is wrong with it is told only to who may call. */
const takeBodies = (app: FastifyInstance): void => {
  app.removeAllContentTypeParsers()
  const types = ['application/fhir+json', 'application/json']
  app.addContentTypeParser(types, { parseAs: 'buffer', bodyLimit }, (request, body, done) => {
    const parsed = parseJson(body as Buffer)
    request.received = parsed.ok
      ? { body: parsed.value, text: body.toString(), problems: [] }
      : { body: undefined, text: '', problems: parsed.problems }
    done(null, null)
  })
  app.addContentTypeParser(formType, { parseAs: 'string', bodyLimit }, (request, body, done) => {
    request.received = { body: undefined, text: body.toString(), problems: [], form: true }
    done(null, null)
  })
}

const problemOf = (error: { code?: string; statusCode?: number }, request: FastifyRequest): Problem | undefined => {
  if (error.code === 'FST_ERR_CTP_INVALID_MEDIA_TYPE')
    return refusal('media-type-not-taken', '', {
      found: request.headers['content-type'] ?? 'none',
      expected: 'application/fhir+json',
      location: 'http.Content-Type',
    })
  if (error.code === 'FST_ERR_CTP_BODY_TOO_LARGE') {
    const length = request.headers['content-length']
    const found = length === undefined ? {} : { found: `${length} bytes` }
    return refusal('body-too-large', '', { ...found, expected: `at most ${bodyLimit} bytes` })
  }
  if (isOutage(error)) return refusal('not-ready')
  if (error.statusCode !== undefined && error.statusCode < 500) return refusal('malformed-request')
  return undefined
}

/** What is wrong with the request as HTTP is told before anybody looks at its address, and ends the connection. */
const refuseWire = async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply | undefined> => {
  const problem = wireProblem(request.raw)
  return problem && send(request, reply.header('connection', 'close'), problemReply([problem]))
}

/** A bug is told by its id and nothing else; the log has the rest. */
const bugReply = (id: string): Reply => ({
  status: 500,
  body: JSON.stringify({
    resourceType: 'OperationOutcome',
    issue: [
      {
        severity: 'fatal',
        code: 'exception',
        diagnostics: `Something went wrong in Daybind. Tell its operator this request id: ${id}`,
      },
    ],
  }),
})

/**
 * Where no route is found: an address that takes other methods says which, to whoever may call those. Told before the
 * body is looked at: what type it has does not matter any more.
 */
const refuseAddress = (routes: readonly Route[], configuration: Configuration) => {
  const addresses = addressesOf(routes)
  return async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply | undefined> => {
    const { url: found = '' } = request.routeOptions
    if (!request.is404 && addresses.isThere(found, request.params as Record<string, string>)) return undefined
    const [first, ...others] = addresses.leadingFrom(request.url)
    const allow = first === undefined ? [] : allowOf([first, ...others])
    if (request.method === 'OPTIONS' && first !== undefined)
      return send(request, reply, { status: 204, headers: { allow: allow.join(', ') } })
    if (first === undefined || allow.includes(request.method))
      return send(request, reply, problemReply([addresses.notKnown(request.url)]))
    const refused = await admit(first, configuration)(request, reply)
    if (refused) return refused
    const expected = allow.join(', ')
    const pushed = keptTypes.some((type) => request.url.startsWith(`/fhir/${type}`))
    const note = pushed ? 'A source sends it as an entry of a transaction or batch: POST /fhir.' : undefined
    return send(request, reply, {
      ...problemReply([refusal('method-not-taken', '', { found: request.method, expected, ...(note && { note }) })]),
      headers: { allow: expected },
    })
  }
}

const logLine = (request: FastifyRequest, reply: FastifyReply, routes: ReadonlyMap<string, Route>) => {
  const route = routes.get(`${request.method === 'HEAD' ? 'GET' : request.method} ${request.routeOptions.url}`)
  const id = (request.params as { id?: string } | undefined)?.id
  return {
    requestId: request.id,
    method: request.method,
    route: request.routeOptions.url ?? 'none',
    step: route?.step ?? 'none',
    caller: request.acting?.id,
    // an id that is not one of ours may be anything that the caller put there
    ...(id !== undefined && /^[0-9a-f-]{36}$/.test(id) && { id }),
    status: reply.statusCode,
    ms: Math.round(reply.elapsedTime * 10) / 10,
  }
}

export interface ServerOptions {
  /** Told when a call fails because the database is lost or busy. */
  readonly onOutage?: (error: unknown) => void
  readonly deadlines?: RequestDeadlines
}

/**
 * @param routes each says who may call it
 * @param onOutage told of what was answered with 503 because of the database
 * @throws when a route says nothing of its callers
 */
export const createServer = (
  configuration: Configuration,
  routes: readonly Route[],
  log: Logger,
  { onOutage = () => {}, deadlines = usualDeadlines }: ServerOptions = {},
): FastifyInstance => {
  const silent = routes.find((r) => r.may === undefined || (r.may !== 'public' && r.may.length === 0))
  if (silent) throw new Error(`The route ${silent.method} ${silent.url} does not say who may call it.`)
  const wire = new Wire(log, deadlines)
  // without lines of its own, some of which quote the address: ours say what is needed
  const app = Fastify({
    genReqId: (request) => requestId(request.headers['x-request-id'] as string | undefined),
    requestTimeout: deadlines.requestMs,
    http: {
      headersTimeout: deadlines.headersMs,
      connectionsCheckingInterval: deadlines.checkMs,
      maxHeaderSize,
      // refused by ourselves, with an OperationOutcome
      requireHostHeader: false,
    },
    connectionTimeout: 60_000,
    keepAliveTimeout: 2_000,
    // what still arrives while the service closes is served: the caller sent it before it could know
    return503OnClosing: false,
    routerOptions: { maxParamLength: 200, ignoreTrailingSlash: true },
    exposeHeadRoutes: true,
    frameworkErrors: (error, request, reply) => {
      send(request, reply, problemReply([error.code === 'FST_ERR_BAD_URL' ? brokenAddress : refusal('not-known')]))
      log.info(logLine(request, reply, new Map()), 'request')
    },
    clientErrorHandler: (error, socket) => wire.onError(error, socket),
  })
  wire.attach(app)
  const routeList: string[] = []
  app.decorate('routeList', routeList)
  app.addHook('onRoute', ({ method, url }) => void routeList.push(...[method].flat().map((m) => `${m} ${url}`)))
  takeBodies(app)
  const byName = new Map(routes.map((r) => [`${r.method} ${r.url}`, r]))
  app.addHook('onResponse', async (request, reply) => {
    log.info(logLine(request, reply, byName), 'request')
  })
  app.setErrorHandler(async (error, request, reply) => {
    if (isOutage(error)) onOutage(error)
    const problem = problemOf(error as { code?: string; statusCode?: number }, request)
    if (problem) return send(request, reply, problemReply([problem]))
    log.error({ requestId: request.id, err: kindOf(error) }, 'a bug, or an outage that is not known as one')
    return send(request, reply, bugReply(request.id))
  })
  app.addHook('onRequest', refuseWire)
  if (configuration.callers.length === 0) app.addHook('onRequest', guardOpen)
  app.addHook('onRequest', refuseAddress(routes, configuration))
  app.setNotFoundHandler((request, reply) => send(request, reply, problemReply([refusal('not-known')])))
  for (const route of routes)
    app.route({
      method: route.method,
      url: route.url,
      onRequest: admit(route, configuration),
      handler: handler(route, configuration),
    })
  return app
}
