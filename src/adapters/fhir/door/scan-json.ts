import type { RefusalCode } from '../../../model/problems.ts'

/** What a body may hold before it costs more than it can be worth. */
export interface JsonLimits {
  /** Levels of nesting, the outermost object counted as one. */
  readonly depth: number
  /** Items of one array. */
  readonly items: number
  /** Items of all arrays together. */
  readonly allItems: number
}

/** Something that refuses the text, with its place in it. */
export interface Fault {
  readonly code: RefusalCode
  /** Offset in UTF-16 code units. */
  readonly offset: number
  /** The path from the root: names of properties and positions in arrays. */
  readonly path: readonly (string | number)[]
  readonly found?: string
  readonly expected?: string
}

export interface Scan {
  readonly faults: readonly Fault[]
  /** Whether the scan came to the end of the text, which then is JSON. */
  readonly complete: boolean
  /** Whether a number is written in a way that JavaScript would print differently, such as 1.50. */
  readonly unusualNumbers: boolean
}

/** Names that reach into the prototype of a JavaScript object when somebody copies properties carelessly. */
const forbiddenNames = new Set(['__proto__', 'constructor', 'prototype'])
const maxFaults = 50
const maxNumberLength = 100

// States of the scan: what may come next.
const aValue = 0
const anItemOrEnd = 1
const aNameOrEnd = 2
const aName = 3
const afterValue = 4
const finished = 5
type State = typeof aValue | typeof anItemOrEnd | typeof aNameOrEnd | typeof aName | typeof afterValue | typeof finished

const quote = 0x22
const comma = 0x2c
const colon = 0x3a
const openArray = 0x5b
const closeArray = 0x5d
const openObject = 0x7b
const closeObject = 0x7d
const backslash = 0x5c

const numberPattern = /-?(?:0|[1-9]\d*)(?:\.\d+)?(?:[eE][+-]?\d+)?/y
const escapePattern = /\\(?:["\\/bfnrt]|u[0-9A-Fa-f]{4})/y
const literals = ['true', 'false', 'null'] as const

const isDigit = (c: number): boolean => c >= 0x30 && c <= 0x39

/** The names of one object: a list while they are few (half the time of a Set over a whole order), then a Set. */
class Names {
  private readonly few: string[] = []
  private many: Set<string> | undefined

  /** Takes a name in; false when it is there already. */
  add(name: string): boolean {
    if (this.many === undefined && this.few.length >= 16) this.many = new Set(this.few)
    if (this.many?.has(name) ?? this.few.includes(name)) return false
    if (this.many === undefined) this.few.push(name)
    else this.many.add(name)
    return true
  }
}

interface Frame {
  /** The names seen so far; none in an array. */
  readonly names: Names | undefined
  /** The place of the value that is being read. */
  at: string | number
}

/** Scans come as parameters of an operation, and carry U+001D between their fields. */
const isOfParameter = ([first, , last, ...deeper]: readonly (string | number)[]): boolean =>
  first === 'parameter' && String(last).startsWith('value') && deeper.length === 0

/** Names one character for people; characters that cannot be seen by their number. */
const nameOf = (text: string, offset: number): string => {
  const code = text.codePointAt(offset)
  if (code === undefined) return 'the end of the text'
  const character = String.fromCodePoint(code)
  return /[\p{White_Space}\p{C}]/u.test(character) ? `U+${code.toString(16).toUpperCase().padStart(4, '0')}` : character
}

class Scanner {
  readonly faults: Fault[] = []
  unusualNumbers = false
  complete = false
  private readonly text: string
  private readonly limits: JsonLimits
  private readonly frames: Frame[] = []
  private top: Frame | undefined
  private offset = 0
  /** Items of arrays so far, the first of each array not counted. */
  private items = 0
  private escaped = false

  constructor(text: string, limits: JsonLimits) {
    this.text = text
    this.limits = limits
  }

  run(): void {
    let state: State = aValue
    while (state !== finished) {
      const c = this.skipSpace()
      if (state === afterValue) state = this.afterValue(c)
      else if (state === aName || state === aNameOrEnd) state = this.name(c, state)
      else state = this.value(c, state)
      if (this.faults.length >= maxFaults) return
    }
  }

  /** Moves to the next character that is not white space; NaN at the end. */
  private skipSpace(): number {
    let c = this.text.charCodeAt(this.offset)
    while (c === 0x20 || c === 0x0a || c === 0x0d || c === 0x09) c = this.text.charCodeAt(++this.offset)
    return c
  }

  private value(c: number, state: State): State {
    if (c === quote) return this.string() ? afterValue : finished
    if (c === openObject) return this.open({ names: new Names(), at: '' }, aNameOrEnd)
    if (c === openArray) return this.open({ names: undefined, at: 0 }, anItemOrEnd)
    if (c === closeArray && state === anItemOrEnd) return this.close()
    if (c === 0x2d || isDigit(c)) return this.number()
    const literal = literals.find((word) => this.text.startsWith(word, this.offset))
    if (literal === undefined) return this.broken('a value')
    this.offset += literal.length
    return afterValue
  }

  private afterValue(c: number): State {
    if (this.top === undefined) {
      this.complete = Number.isNaN(c)
      return this.complete ? finished : this.broken('the end of the text')
    }
    const inObject = this.top.names !== undefined
    if (c === (inObject ? closeObject : closeArray)) return this.close()
    if (c !== comma) return this.broken(inObject ? ', or }' : ', or ]')
    this.offset++
    return inObject ? aName : this.nextItem(this.top)
  }

  private nextItem(array: Frame): State {
    array.at = Number(array.at) + 1
    if (array.at === this.limits.items) this.tooMany(`at most ${this.limits.items} items`)
    if (++this.items === this.limits.allItems) this.tooMany(`at most ${this.limits.allItems} items in all arrays`)
    return aValue
  }

  private tooMany(expected: string): void {
    this.report({ code: 'too-many-items', path: this.path().slice(0, -1), expected })
  }

  private name(c: number, state: State): State {
    if (c === closeObject && state === aNameOrEnd) return this.close()
    if (c !== quote) return this.broken(state === aNameOrEnd ? 'a name in quotes or }' : 'a name in quotes')
    const start = this.offset
    if (!this.string()) return finished
    const name = this.escaped
      ? String(JSON.parse(this.text.slice(start, this.offset)))
      : this.text.slice(start + 1, this.offset - 1)
    this.enter(name, start)
    if (this.skipSpace() !== colon) return this.broken(':')
    this.offset++
    return aValue
  }

  private enter(name: string, offset: number): void {
    const top = this.top
    if (top?.names === undefined) return
    top.at = name
    if (forbiddenNames.has(name)) this.report({ code: 'forbidden-key', offset, found: name })
    if (!top.names.add(name)) this.report({ code: 'duplicate-key', offset })
  }

  private open(frame: Frame, next: State): State {
    if (this.frames.length >= this.limits.depth) {
      this.report({ code: 'too-deep', expected: `at most ${this.limits.depth} levels` })
      return finished
    }
    this.frames.push(frame)
    this.top = frame
    this.offset++
    return next
  }

  private close(): State {
    this.frames.pop()
    this.top = this.frames.at(-1)
    this.offset++
    return afterValue
  }

  /** Reads a string or a name; false when it breaks off. */
  private string(): boolean {
    const { text } = this
    this.escaped = false
    let at = this.offset + 1
    let c = text.charCodeAt(at)
    while (c !== quote) {
      if (c === backslash) at = this.escape(at)
      else if (c >= 0x20) at++
      else {
        this.offset = at
        this.broken(Number.isNaN(c) ? 'the closing quote of a string' : 'an escaped control character')
        return false
      }
      if (at < 0) return false
      c = text.charCodeAt(at)
    }
    this.offset = at + 1
    return true
  }

  /** The offset behind an escape sequence, -1 when it is none. */
  private escape(at: number): number {
    this.escaped = true
    escapePattern.lastIndex = at
    if (!escapePattern.test(this.text)) {
      this.offset = at + 1
      this.broken('an escape sequence of JSON')
      return -1
    }
    const end = escapePattern.lastIndex
    const letter = this.text[at + 1]
    if (letter === 'b' || letter === 'f') this.control(at, letter === 'b' ? 0x08 : 0x0c)
    if (letter !== 'u') return end
    const unit = Number.parseInt(this.text.slice(at + 2, end), 16)
    if (unit < 0x20) this.control(at, unit)
    if (unit < 0xd800 || unit > 0xdfff) return end
    return this.surrogate(at, unit)
  }

  /** Only an escape can hold a control character. */
  private control(at: number, unit: number): void {
    if (unit === 0x09 || unit === 0x0a || unit === 0x0d || (unit === 0x1d && isOfParameter(this.path()))) return
    const found = `U+${unit.toString(16).toUpperCase().padStart(4, '0')}`
    const expected = 'no control characters but tab, CR and LF'
    this.report({ code: 'wrong-value', offset: at, found, expected })
  }

  private surrogate(at: number, unit: number): number {
    const next = /^\\u([dD][c-fC-F][0-9a-fA-F]{2})/.exec(this.text.slice(at + 6, at + 12))
    if (unit < 0xdc00 && next) return at + 12
    const found = `half a surrogate pair, U+${unit.toString(16).toUpperCase()}`
    this.report({ code: 'wrong-value', offset: at, found, expected: 'whole characters' })
    return at + 6
  }

  private number(): State {
    const start = this.offset
    let at = start
    let c = this.text.charCodeAt(at)
    while (isDigit(c)) c = this.text.charCodeAt(++at)
    const plain = at > start && at - start < 16 && c !== 0x2e && c !== 0x45 && c !== 0x65
    if (plain && (this.text.charCodeAt(start) !== 0x30 || at === start + 1)) this.offset = at
    else return this.unusualNumber()
    return afterValue
  }

  private unusualNumber(): State {
    const start = this.offset
    numberPattern.lastIndex = start
    if (!numberPattern.test(this.text)) {
      this.offset++
      return this.broken('a digit')
    }
    this.offset = numberPattern.lastIndex
    const source = this.text.slice(start, this.offset)
    const value = Number(source)
    const vanished = value === 0 && /[1-9]/.test(source.replace(/[eE].*/, ''))
    if (!Number.isFinite(value) || vanished || source.length > maxNumberLength) {
      const expected = `a number that a 64-bit float can hold, in at most ${maxNumberLength} characters`
      const found = source.length > 24 ? `${source.slice(0, 24)}…` : source
      this.report({ code: 'wrong-value', offset: start, found, expected })
    }
    if (String(value) !== source) this.unusualNumbers = true
    return afterValue
  }

  private path(): readonly (string | number)[] {
    return this.frames.map((frame) => frame.at)
  }

  private report(fault: Omit<Fault, 'offset' | 'path'> & Partial<Pick<Fault, 'offset' | 'path'>>): void {
    this.faults.push({ offset: this.offset, path: this.path(), ...fault })
  }

  private broken(expected: string): State {
    this.report({ code: 'malformed-json', path: [], found: nameOf(this.text, this.offset), expected })
    return finished
  }
}

/**
 * Looks a text over without building anything and without recursion, so that no text can overflow the stack.
 * A text without faults is JSON (RFC 8259) that JSON.parse takes, within the limits, with each name once in its
 * object, without names that reach into prototypes, and without control characters (tab, CR and LF excepted, and in values of
 * parameters U+001D) or halves of surrogate pairs behind escapes.
 * The scan ends at the first error of syntax or depth; other faults are collected, at most 50.
 */
export const scanJson = (text: string, limits: JsonLimits): Scan => {
  const scanner = new Scanner(text, limits)
  scanner.run()
  const { faults, complete, unusualNumbers } = scanner
  return { faults, complete, unusualNumbers }
}
