/** The options of the demo. */
import { parseArgs } from 'node:util'
import { type Calendar, calendarFrom } from './calendar.ts'

export interface Options {
  readonly exit: boolean
  readonly json: boolean
  /** Seconds between one event and the next. */
  readonly pace: number
  /** Absent: the usual one, or any other that is free. */
  readonly port?: number
  readonly calendar: Calendar
  /** One order across FHIR servers in place of the day: HAPI on this machine, or servers and a service that run already. */
  readonly across?: 'hapi' | Running
}

/** Bases of two FHIR servers, and the service between them. */
export interface Running {
  readonly ehr: string
  readonly reading: string
  readonly daybind: string
}

const known = {
  exit: { type: 'boolean' },
  json: { type: 'boolean' },
  pace: { type: 'string' },
  port: { type: 'string' },
  day: { type: 'string' },
  hapi: { type: 'boolean' },
  ehr: { type: 'string' },
  reading: { type: 'string' },
  daybind: { type: 'string' },
} as const

export const usage =
  'demo takes --exit, --json, --pace SECONDS, --port PORT and --day YYYY-MM-DD; or --hapi; or --ehr, --reading and --daybind, each with a URL'

interface Asked {
  readonly hapi?: boolean | undefined
  readonly ehr?: string | undefined
  readonly reading?: string | undefined
  readonly daybind?: string | undefined
}

const isUrl = (text: string): boolean => /^https?:$/.test(URL.canParse(text) ? new URL(text).protocol : '')

const acrossOf = ({ hapi, ehr, reading, daybind }: Asked): Pick<Options, 'across'> | { readonly mistake: string } => {
  const given = [ehr, reading, daybind].filter((url) => url !== undefined)
  if (hapi && given.length > 0)
    return { mistake: '--hapi starts servers of its own: leave out --ehr, --reading and --daybind.' }
  if (hapi) return { across: 'hapi' }
  if (given.length === 0) return {}
  if (ehr === undefined || reading === undefined || daybind === undefined)
    return { mistake: '--ehr, --reading and --daybind go together.' }
  const wrong = given.find((url) => !isUrl(url))
  if (wrong !== undefined) return { mistake: `found ${wrong}, expected an http address.` }
  return { across: { ehr, reading, daybind } }
}

/** @returns the options, or one sentence that says what is wrong with them */
export const readOptions = (args: string[], now: number): Options | { readonly mistake: string } => {
  const { tokens } = parseArgs({ args, options: known, strict: false, tokens: true })
  const stray = tokens.find((t) => t.kind === 'positional' || (t.kind === 'option' && !Object.hasOwn(known, t.name)))
  if (stray !== undefined)
    return { mistake: `${stray.kind === 'option' ? stray.rawName : args[stray.index]} is not known: ${usage}.` }
  try {
    const { values } = parseArgs({ args, options: known })
    const { pace = '0', port, day } = values
    if (!/^\d{1,3}(\.\d{1,3})?$/.test(pace)) return { mistake: `--pace: found ${pace}, expected seconds such as 0.5.` }
    if (port !== undefined && !(/^\d{1,5}$/.test(port) && Number(port) <= 65_535))
      return { mistake: `--port: found ${port}, expected a whole number from 0 (any free port) to 65535.` }
    const calendar = calendarFrom(now, day)
    if ('mistake' in calendar) return calendar
    const across = acrossOf(values)
    if ('mistake' in across) return across
    const { exit = false, json = false } = values
    return { exit, json, pace: Number(pace), calendar, ...(port !== undefined && { port: Number(port) }), ...across }
  } catch (error) {
    return { mistake: `${error instanceof Error ? error.message.split('. ')[0] : error}: ${usage}.` }
  }
}
