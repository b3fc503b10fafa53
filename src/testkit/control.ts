/**
 * What the person beside a counterpart asks of it: a line on standard input, or the same line by `POST /control`. Loopback
 * only.
 */
import type { IncomingMessage, ServerResponse } from 'node:http'
import { createInterface } from 'node:readline'
import type { Readable } from 'node:stream'
import { text } from 'node:stream/consumers'

/** What came of a command: what to show, or what is wrong with it. */
export type Told = { readonly shown: unknown } | { readonly problem: string }

/** Words stand by their place, settings are `name=value`. */
export interface Said {
  readonly words: readonly string[]
  readonly settings: Readonly<Record<string, string>>
}

export interface Command {
  /** Its words and settings, as in a manual: `ORDER [late=SECONDS]`. */
  readonly takes: string
  /** One line. */
  readonly does: string
  /** At least so many words, at most as many as `takes` has in capitals. */
  readonly words: readonly [least: number, most: number]
  /** Names of settings. */
  readonly settings?: readonly string[]
  readonly run: (said: Said) => Promise<Told> | Told
}

export type Commands = Readonly<Record<string, Command>>

export const done: Told = { shown: 'done' }
export const wrong = (problem: string): Told => ({ problem })

/** Longer ones have what they do on the next line. */
const widest = 26

/** A line or two for each command. */
export const help = (commands: Commands): string =>
  [...Object.entries(commands), ['help', { takes: '', does: 'this list' }] as const]
    .map(([name, { takes, does }]) => {
      const head = `${name} ${takes}`.trim()
      return head.length > widest ? `${head}\n${' '.repeat(widest)}  ${does}` : `${head.padEnd(widest)}  ${does}`
    })
    .join('\n')

/** A value with spaces stands in double quotes. */
function readLine(line: string): Said & { name: string } {
  const parts = [...line.matchAll(/(?:[^\s"]|"[^"]*")+/g)].map(([part]) => part.replaceAll('"', ''))
  const [name = '', ...rest] = parts
  const settings = rest.filter((part) => /^[a-z][A-Za-z]*=/.test(part))
  return {
    name,
    words: rest.filter((part) => !settings.includes(part)),
    settings: Object.fromEntries(settings.map((s) => [s.slice(0, s.indexOf('=')), s.slice(s.indexOf('=') + 1)])),
  }
}

/** Does what a line asks for. What is wrong with it is told with what is possible; nothing is done then. */
export async function obey(commands: Commands, line: string): Promise<Told> {
  const { name, words, settings } = readLine(line)
  if (name === 'help') return { shown: help(commands) }
  const command = Object.hasOwn(commands, name) ? commands[name] : undefined
  if (!command)
    return wrong(`There is no command ${JSON.stringify(name)}. There are: ${Object.keys(commands).join(', ')}, help.`)
  const usage = `It is: ${`${name} ${command.takes}`.trim()}`
  const [least, most] = command.words
  if (words.length < least) return wrong(`${name} lacks a word. ${usage}`)
  if (words.length > most) return wrong(`${name} has a word too many: ${words[most]}. ${usage}`)
  const unknown = Object.keys(settings).filter((s) => !command.settings?.includes(s))
  if (unknown.length) return wrong(`${name} has no setting ${unknown.join(', ')}. ${usage}`)
  return command.run({ words, settings })
}

export const toldText = (told: Told): string => {
  if ('problem' in told) return told.problem
  return typeof told.shown === 'string' ? told.shown : JSON.stringify(told.shown, null, 2)
}

/** Obeys each line that comes; the end of the input ends nothing. */
export function obeyLines(commands: Commands, input: Readable, tell: (told: Told) => void): { stop(): void } {
  const lines = createInterface({ input })
  let before: Promise<void> = Promise.resolve()
  lines.on('line', (line) => {
    if (line.trim() === '') return
    before = before.then(async () => tell(await obey(commands, line)))
  })
  return { stop: () => lines.close() }
}

/** A web page that somebody has open may not control it: a browser names the page that sends, and the host it means. */
const isOurs = ({ method, headers }: IncomingMessage): boolean =>
  /^(127\.0\.0\.1|localhost)(:\d+)?$/.test(headers.host ?? '') && (method === 'GET' || headers.origin === undefined)

/** No command is longer. */
const longest = 10_000

/** `GET /control` is the list of commands, `POST /control` obeys the line in its body: 200, or 400 with what is wrong. */
export const controlBy =
  (commands: Commands) =>
  async (request: IncomingMessage, response: ServerResponse): Promise<boolean> => {
    if (!/^\/control\/?$/.test(request.url ?? '')) return false
    const answer = (status: number, told: Told) => {
      const type = 'shown' in told && typeof told.shown !== 'string' ? 'application/json' : 'text/plain; charset=utf-8'
      response.writeHead(status, { 'Content-Type': type }).end(`${toldText(told)}\n`)
    }
    if (!isOurs(request)) answer(403, wrong('Only programs on this machine may control it.'))
    else if (request.method === 'GET') answer(200, { shown: help(commands) })
    else if (request.method !== 'POST') answer(405, wrong('GET lists the commands, POST obeys one.'))
    else if (Number(request.headers['content-length'] ?? longest) >= longest)
      answer(413, wrong(`A command of less than ${longest} characters is expected.`))
    else {
      const told = await obey(commands, await text(request))
      answer('problem' in told ? 400 : 200, told)
    }
    return true
  }
