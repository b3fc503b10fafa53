/**
 * GS1 Digital Link URIs with a GTIN as their key. Parsed, never dereferenced: a scanned address is a stranger's.
 * Source: https://ref.gs1.org/standards/digital-link/uri-syntax/ and the tests of gs1/gs1-syntax-engine.
 */

import type { Problem } from '../problems.ts'
import { refusal } from '../problems.ts'
import type { Gs1Element, Gs1Reading } from './gs1-elements.ts'
import { valueProblems } from './gs1-elements.ts'
import { identifiers } from './gs1-identifiers.ts'
import type { Barcode } from './scan.ts'

/** What may follow a GTIN in the path, in this order. */
const qualifierOrders = [['22', '10', '21'], ['235']] as const
const qualifiers: readonly string[] = qualifierOrders.flat()

/** Keys of things other than a GTIN: none of them may be an attribute of one. */
const inThePath: readonly string[] = ['01', ...qualifiers]

const unreadable = (at: string, found: string, expected: string): Problem =>
  refusal('scan-unreadable', at, { found, expected })

/** The decoded text; undefined where a `%` is not followed by two hexadecimal digits. One byte is one character. */
const decoded = (text: string): string | undefined =>
  /%(?![0-9A-Fa-f]{2})/.test(text)
    ? undefined
    : text.replace(/%([0-9A-Fa-f]{2})/g, (_, hex: string) => String.fromCharCode(Number.parseInt(hex, 16)))

/** More attributes than any label states: not read at all. */
const mostAttributes = 50

interface Split {
  readonly segments: readonly string[]
  readonly attributes: readonly string[]
}

/** Path segments after the host, and the parts of the query. The fragment is ignored. */
const splitUri = (text: string): Split | undefined => {
  const scheme = /^(?:https?|HTTPS?):\/\//.exec(text)?.[0]
  if (scheme === undefined) return undefined
  const [address = ''] = text.slice(scheme.length).split('#')
  const mark = address.indexOf('?')
  const path = mark < 0 ? address : address.slice(0, mark)
  const [host = '', ...segments] = path.split('/')
  if (!/^[A-Za-z0-9.-]+(?::[0-9]{1,5})?$/.test(host)) return undefined
  const attributes = mark < 0 ? [] : address.slice(mark + 1).split('&')
  return attributes.length > mostAttributes ? undefined : { segments, attributes }
}

const isKeyAt = (segments: readonly string[], i: number): boolean =>
  segments[i] === '01' &&
  (segments.length - i) % 2 === 0 &&
  segments.slice(i + 2).every((segment, k) => k % 2 === 1 || qualifiers.includes(segment))

/** Where the GTIN is: the last `01` from which pairs of identifier and value lead to the end of the path. */
const keyPosition = (segments: readonly string[]): number => {
  for (let i = segments.length - 2; i >= 0; i--) if (isKeyAt(segments, i)) return i
  return -1
}

const inOrder = (found: readonly string[]): boolean =>
  qualifierOrders.some((order: readonly string[]) => {
    const places = found.map((ai) => order.indexOf(ai))
    return places.every((place, i) => place >= 0 && (i === 0 || place > (places[i - 1] ?? 0)))
  })

type Field = { readonly ai: string; readonly raw: string }

const pathFields = (segments: readonly string[]): Field[] => {
  const fields: Field[] = []
  for (let i = 0; i < segments.length; i += 2) fields.push({ ai: segments[i] ?? '', raw: segments[i + 1] ?? '' })
  return fields
}

/** Attributes that are GS1 data: their names are digits. Others (`linkType`) are for resolvers. */
const queryFields = (attributes: readonly string[]): Field[] =>
  attributes
    .map((attribute) => {
      const [ai = '', ...value] = attribute.split('=')
      return { ai, raw: value.join('=').replaceAll('+', ' ') } // a plus is a space in a query
    })
    .filter(({ ai }) => /^[0-9]+$/.test(ai))

const attributeProblems = (fields: readonly Field[], at: string): Problem[] =>
  fields.flatMap(({ ai }) => {
    if (inThePath.includes(ai)) return [unreadable(at, `${ai} in the query`, `(${ai}) in the path`)]
    return identifiers.has(ai) ? [] : [unreadable(at, `${ai} in the query`, 'a GS1 application identifier')]
  })

const repeated = (fields: readonly Field[], at: string): Problem[] => {
  const ais = fields.map(({ ai }) => ai)
  return ais.filter((ai, i) => ais.indexOf(ai) < i).map((ai) => unreadable(at, `(${ai}) twice`, 'each identifier once'))
}

/** A URI with the GTIN in the path; any host and any path before it. Undecoded words such as `/gtin/` are not taken. */
export const readDigitalLink = ({ text, at }: Pick<Barcode, 'text' | 'at'>, today: string): Gs1Reading => {
  const uri = splitUri(text)
  const key = uri ? keyPosition(uri.segments) : -1
  if (uri === undefined || key < 0) {
    const expected =
      'http(s)://host/01/GTIN, then /22/, /10/ and /21/ in this order, with no slash at the end; up to 50 attributes'
    return { elements: [], problems: [unreadable(at, text, expected)] }
  }
  const path = pathFields(uri.segments.slice(key))
  const query = queryFields(uri.attributes)
  const problems = [...attributeProblems(query, at), ...repeated([...path, ...query], at)]
  const order = path.slice(1).map(({ ai }) => ai)
  if (!inOrder(order)) problems.push(unreadable(at, order.join(', '), '22, 10, 21 in this order, or 235 alone'))
  const elements: Gs1Element[] = []
  for (const { ai, raw } of [...path, ...query]) {
    const value = decoded(raw)
    const id = identifiers.get(ai)
    if (value === undefined) problems.push(unreadable(at, raw, 'two hexadecimal digits after each %'))
    else if (id) problems.push(...valueProblems(id, value, at, today, 'by-marks'))
    elements.push({ ai, value: value ?? raw, at })
  }
  return { elements, problems }
}

const encoded = (value: string): string =>
  value.replace(
    /[^0-9A-Za-z._~-]/g,
    (character) => `%${character.charCodeAt(0).toString(16).toUpperCase().padStart(2, '0')}`,
  )

/** The URI of the fields, one of which is a GTIN, under a base without a slash at its end. */
export const printDigitalLink = (base: string, fields: readonly Pick<Gs1Element, 'ai' | 'value'>[]): string => {
  const path = inThePath.flatMap((ai) => fields.filter((field) => field.ai === ai))
  const query = fields.filter(({ ai }) => !inThePath.includes(ai))
  const attributes = query.map(({ ai, value }) => `${ai}=${encoded(value)}`).join('&')
  return `${base}${path.map(({ ai, value }) => `/${ai}/${encoded(value)}`).join('')}${attributes && `?${attributes}`}`
}
