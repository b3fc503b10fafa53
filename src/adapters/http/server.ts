/** The server: bodies parsed once at the door, every error an OperationOutcome, one line in the log for each request. */
import type { Socket } from 'node:net'
import Fastify, {
  type FastifyBaseLogger,
  type FastifyInstance,
  type FastifyReply,
  type FastifyRequest,
  LogController,
} from 'fastify'
import type { Logger } from 'pino'
import { v7 as uuidv7 } from 'uuid'
import type { ActingCaller } from '../../flow/step.ts'
import type { Configuration } from '../../model/configuration.ts'
import { type Problem, refusal } from '../../model/problems.ts'
import { parseJson } from '../fhir/door/parse-json.ts'
import { isOutage } from '../postgres/database.ts'
import { type Call, problemReply, type Reply, type Route } from './call.ts'
import { sightOf, whoCalls } from './callers.ts'

const fhirJson = 'application/fhir+json; charset=utf-8'
const formType = 'application/x-www-form-urlencoded'
const bodyLimit = 1024 * 1024

declare module 'fastify' {
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

/** Taken from the caller where it is harmless in a log and in a header. */
const requestId = (given: string | undefined): string =>
  given !== undefined && /^[A-Za-z0-9._:-]{1,64}$/.test(given) ? given : uuidv7()

/** `application/json` only for who asks for it and not for FHIR's own. */
const answerType = (accept: string | undefined): string | undefined => {
  if (accept === undefined || accept === '' || /\*\/\*|application\/\*/.test(accept)) return fhirJson
  if (/application\/fhir\+json|application\/json\+fhir/i.test(accept)) return fhirJson
  return /(application|text)\/json/i.test(accept) ? 'application/json; charset=utf-8' : undefined
}

const formatProblems = (request: FastifyRequest, url: string): readonly Problem[] => {
  const format = new URLSearchParams(request.url.split('?')[1] ?? '').get('_format')
  const wrong = format !== null && !/json/i.test(format)
  if (!url.startsWith('/fhir') || (!wrong && answerType(request.headers.accept) !== undefined)) return []
  return [
    refusal('format-not-offered', '', { found: format ?? request.headers.accept, expected: 'application/fhir+json' }),
  ]
}

const send = (request: FastifyRequest, reply: FastifyReply, answer: Reply): FastifyReply => {
  reply.code(answer.status).headers({
    'x-request-id': request.id,
    'cache-control': 'no-store',
    'x-content-type-options': 'nosniff',
    ...answer.headers,
  })
  if (answer.body === undefined) return reply.send()
  return reply.type(answer.type ?? answerType(request.headers.accept) ?? fhirJson).send(answer.body)
}

const callOf = (request: FastifyRequest, caller: ActingCaller, configuration: Configuration): Call => {
  const query = [...new URLSearchParams(request.url.split('?')[1] ?? '')]
  return {
    caller,
    sight: sightOf(caller, configuration.sites),
    requestId: request.id,
    params: request.params as Record<string, string>,
    query: query.filter(([name]) => name !== 'dry-run'),
    header: (name) => {
      const value = request.headers[name]
      return Array.isArray(value) ? value.join(', ') : value
    },
    body: request.received?.body,
    text: request.received?.text ?? '',
    dryRun: query.some(([name, value]) => name === 'dry-run' && value === 'true'),
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
    const header = (name: string) => request.headers[name] as string | undefined
    const who = route.may === 'public' ? anybody : whoCalls(configuration, header, route.page)
    if (!('role' in who)) return send(request, reply, asking(problemReply(who), route))
    request.acting = who
    if (allows(route, who)) return undefined
    const expected = (route.may as readonly string[]).join(' or ')
    return send(request, reply, problemReply([refusal('not-allowed', '', { found: who.role, expected })]))
  }

const anybody: ActingCaller = { id: 'anybody', role: 'local' }

/** Whether a rehearsal is asked for must be plain: a word that is not known may have meant that nothing is to be kept. */
const rehearsalProblems = (request: FastifyRequest): readonly Problem[] => {
  const asked = new Set(new URLSearchParams(request.url.split('?')[1] ?? '').getAll('dry-run'))
  const plain = asked.size < 2 && [...asked].every((value) => value === 'true' || value === 'false')
  return plain
    ? []
    : [refusal('wrong-parameter', '', { found: `dry-run=${[...asked].join()}`, expected: 'true or false' })]
}

const handler =
  (route: Route, configuration: Configuration) =>
  async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply> => {
    const problems = [
      ...formatProblems(request, route.url),
      ...mediaProblems(request, route),
      ...rehearsalProblems(request),
      ...(request.received?.problems ?? []),
    ]
    if (problems.length > 0) return send(request, reply, problemReply(problems))
    return send(request, reply, await route.handle(callOf(request, request.acting ?? anybody, configuration)))
  }

/** A form is taken where a search is asked for, and nothing else is taken there. */
const mediaProblems = (request: FastifyRequest, route: Route): readonly Problem[] =>
  request.received === undefined || (request.received.form ?? false) === (route.form ?? false)
    ? []
    : [
        refusal('media-type-not-taken', '', {
          found: request.headers['content-type'],
          expected: route.form ? formType : 'application/fhir+json',
        }),
      ]

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
    })
  if (error.code === 'FST_ERR_CTP_BODY_TOO_LARGE')
    return refusal('body-too-large', '', { expected: `at most ${bodyLimit} bytes` })
  if (isOutage(error)) return refusal('not-ready')
  if (error.statusCode !== undefined && error.statusCode < 500)
    return refusal('malformed-json', '', { note: 'The request cannot be read.' })
  return undefined
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

/** Whether a path is one of `pattern`, `/fhir/:type`. */
const leadsTo = (path: string, pattern: string): boolean => {
  const [a, b] = [path.split('/'), pattern.split('/')]
  return a.length === b.length && b.every((part, i) => part === a[i] || (part.startsWith(':') && a[i] !== ''))
}

/** The methods of an address; what may be called is no secret, who may call it is asked at the call. */
const allowOf = (routes: readonly Route[]): readonly string[] => [
  ...new Set(routes.flatMap((r) => (r.method === 'GET' ? ['GET', 'HEAD'] : [r.method]))),
]

/**
 * Where no route is found: an address that takes other methods says which, to whoever may call those. Told before the
 * body is looked at: what type it has does not matter any more.
 */
const refuseAddress =
  (routes: readonly Route[], configuration: Configuration) =>
  async (request: FastifyRequest, reply: FastifyReply): Promise<FastifyReply | undefined> => {
    if (!request.is404) return undefined
    const path = (request.url.split('?')[0] ?? '').replace(/\/$/, '')
    const [first, ...others] = routes.filter((r) => leadsTo(path, r.url))
    if (first === undefined) return send(request, reply, problemReply([refusal('not-known')]))
    const taken = allowOf([first, ...others])
    if (request.method === 'OPTIONS')
      return send(request, reply, { status: 204, headers: { allow: [...taken, 'OPTIONS'].join(', ') } })
    const refused = await admit(first, configuration)(request, reply)
    if (refused) return refused
    const allow = taken.join(', ')
    return send(request, reply, {
      ...problemReply([refusal('method-not-taken', '', { found: request.method, expected: allow })]),
      headers: { allow },
    })
  }

/** What is no HTTP may hold anybody's data: of the error only its kind is logged. */
const answerNoHttp = (error: Error & { code?: string }, socket: Socket, log: Logger): void => {
  if (error.code === 'ECONNRESET' || !socket.writable) return void socket.destroy()
  const { status, body = '' } = problemReply([
    refusal('malformed-json', '', { note: 'The request cannot be read as HTTP.' }),
  ])
  log.info({ step: 'none', route: 'none', status, cause: error.code ?? 'unknown' }, 'request')
  const head = [
    `HTTP/1.1 ${status} Bad Request`,
    `content-type: ${fhirJson}`,
    `content-length: ${Buffer.byteLength(body)}`,
  ]
  socket.end([...head, 'connection: close', '', body].join('\r\n'))
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

/**
 * @param routes each says who may call it
 * @throws when a route says nothing of its callers
 */
export const createServer = (configuration: Configuration, routes: readonly Route[], log: Logger): FastifyInstance => {
  const silent = routes.find((r) => r.may === undefined || (r.may !== 'public' && r.may.length === 0))
  if (silent) throw new Error(`The route ${silent.method} ${silent.url} does not say who may call it.`)
  const app = Fastify({
    loggerInstance: log as FastifyBaseLogger,
    logController: new LogController({ disableRequestLogging: true }),
    genReqId: (request) => requestId(request.headers['x-request-id'] as string | undefined),
    requestTimeout: 30_000,
    connectionTimeout: 60_000,
    keepAliveTimeout: 2_000,
    routerOptions: { maxParamLength: 200, ignoreTrailingSlash: true },
    exposeHeadRoutes: true,
    frameworkErrors: (_error, request, reply) => {
      send(request, reply, problemReply([refusal('not-known')]))
      log.info(logLine(request, reply, new Map()), 'request')
    },
    clientErrorHandler: (error, socket) => answerNoHttp(error, socket, log),
  })
  takeBodies(app)
  const byName = new Map(routes.map((r) => [`${r.method} ${r.url}`, r]))
  app.addHook('onResponse', async (request, reply) => {
    log.info(logLine(request, reply, byName), 'request')
  })
  app.setErrorHandler(async (error, request, reply) => {
    const problem = problemOf(error as { code?: string; statusCode?: number }, request)
    if (problem) return send(request, reply, problemReply([problem]))
    log.error({ requestId: request.id, err: error }, 'a bug, or an outage that is not known as one')
    return send(request, reply, bugReply(request.id))
  })
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
