/**
 * The GS1 application identifiers: which there are, what their values look like, and which need a separator after them.
 * Source: gs1/gs1-syntax-dictionary (https://github.com/gs1/gs1-syntax-dictionary), a table kept by GS1.
 */

/** Digits; the 82 characters of GS1; the 39 characters of component numbers; base64url. */
export type CharacterSet = 'N' | 'X' | 'Y' | 'Z'

export const characterSets: { readonly [set in CharacterSet]: { readonly pattern: RegExp; readonly words: string } } = {
  N: { pattern: /[^0-9]/, words: 'digits' },
  X: { pattern: /[^!"%&'()*+,\-./0-9:;<=>?A-Z_a-z]/, words: 'the 82 characters of GS1' },
  Y: { pattern: /[^#\-/0-9A-Z]/, words: 'digits, capitals and # - /' },
  Z: { pattern: /[^0-9A-Za-z_=-]/, words: 'base64url' },
}

/** What is tested besides characters and length. */
export type Test = 'check-digit' | 'date' | 'date-or-day-zero' | 'time'

export interface Component {
  readonly set: CharacterSet
  readonly min: number
  readonly max: number
  readonly test?: Test
}

export interface Identifier {
  /** Its digits, two to four. */
  readonly ai: string
  /** All but the last are of one length. */
  readonly components: readonly Component[]
  /** Lengths of the whole value. */
  readonly min: number
  readonly max: number
  /** False where the length is predefined, so that the next identifier follows at once. */
  readonly needsSeparator: boolean
}

/**
 * Identifiers, then their components: set, length (`..20` is up to 20), test (c check digit, z date that may have day 00,
 * d date, t time), `?` when it may be absent. `390+10` means the ten identifiers 3900 to 3909.
 */
const rows = `
00 N18c
01 02 03 N14c
10 21 22 243 254 420 710 711 712 713 714 715 7020 7021 7022 7240 8002 8012 X..20
11 12 13 15 16 17 N6z
20 N2
235 X..28
240 241 250 251 400 401 403 4308 4319 7002 7023 8004 90 X..30
242 N..6
253 N13c X..17?
255 N13c N..12?
30 37 N..8
390+10 N..15
391+10 393+10 N3 N..15
392+10 N..15
394+4 N4
395+6 N6
402 N17c
410 411 412 413 414 415 416 417 N13c
421 N3 X..9
422 424 426 N3
423 425 N..15
427 7008 X..3
4300 4301 4310 4311 4320 X..35
4302 4303 4304 4305 4306 4312 4313 4314 4315 4316 8110 8112 8200 X..70
4307 4317 X2
4309 N20
4318 X..20
4321 4322 4323 N1
4324 4325 N6z N4
4326 7006 N6d
4330 4331 4332 4333 N6 X1?
7001 N13
7003 N6d N4t
7004 N..4
7005 X..12
7007 N6d N6d?
7009 X..10
7010 X..2
7011 N6d N4t?
703+10 N3 X..27
7040 N1 X3
723+10 X2 X..28
7241 N2
7242 8013 8020 X..25
8001 N14
8003 N14c X..16?
8005 N6
8006 8026 N14c N4
8007 X..34
8008 N8 N..4?
8009 X..50
8010 Y..30
8011 N..12
8017 8018 N18c
8019 N..10
8030 Z..90
8111 N4
91 92 93 94 95 96 97 98 99 X..90
`

/** Measures: four digits, the last of which (0 to 5) says where the decimal point is. */
const measures: readonly (readonly [from: number, to: number])[] = [
  [310, 316],
  [320, 337],
  [340, 357],
  [360, 369],
]

/** The first two digits of identifiers whose values have a predefined length. */
const predefined = /^(?:0[0-4]|1[1-9]|20|3[1-6]|41)/

const tests: { readonly [letter: string]: Test } = { c: 'check-digit', z: 'date-or-day-zero', d: 'date', t: 'time' }

const component = (text: string): Component => {
  const [, set = 'X', upTo, length, letter, optional] = /^([NXYZ])(\.\.)?([0-9]+)([czdt])?(\?)?$/.exec(text) ?? []
  const max = Number(length)
  const test = tests[letter ?? '']
  return {
    set: set as CharacterSet,
    min: optional !== undefined ? 0 : upTo !== undefined ? 1 : max,
    max,
    ...(test !== undefined && { test }),
  }
}

const identifier = (ai: string, components: readonly Component[]): Identifier => ({
  ai,
  components,
  min: components.reduce((sum, { min }) => sum + min, 0),
  max: components.reduce((sum, { max }) => sum + max, 0),
  needsSeparator: !predefined.test(ai),
})

const several = (prefix: string, count: number): string[] => Array.from({ length: count }, (_, i) => `${prefix}${i}`)

const expand = (text: string): string[] => {
  const [prefix = '', count] = text.split('+')
  return count === undefined ? [prefix] : several(prefix, Number(count))
}

const fromRow = (row: string): Identifier[] => {
  const words = row.split(' ')
  const components = words.filter((word) => /^[NXYZ]/.test(word)).map(component)
  return words
    .filter((word) => /^[0-9]/.test(word))
    .flatMap(expand)
    .map((ai) => identifier(ai, components))
}

const fromMeasures = ([from, to]: readonly [number, number]): Identifier[] =>
  Array.from({ length: to - from + 1 }, (_, i) => String(from + i))
    .flatMap((prefix) => several(prefix, 6))
    .map((ai) => identifier(ai, [component('N6')]))

/** All application identifiers by their digits. */
export const identifiers: ReadonlyMap<string, Identifier> = new Map(
  [...rows.trim().split('\n').flatMap(fromRow), ...measures.flatMap(fromMeasures)].map((each) => [each.ai, each]),
)

/** Two digits tell how many an identifier has. */
const lengths: ReadonlyMap<string, number> = new Map([...identifiers.keys()].map((ai) => [ai.slice(0, 2), ai.length]))

/** The identifier that begins at `position` of the text, if one does. */
export const identifierAt = (text: string, position: number): Identifier | undefined => {
  const length = lengths.get(text.slice(position, position + 2))
  return length === undefined ? undefined : identifiers.get(text.slice(position, position + length))
}
