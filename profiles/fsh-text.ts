/** Small pieces of FHIR Shorthand (https://hl7.org/fhir/uv/shorthand), for what is made from tables. */

/** A string of FSH: the quote and the backslash are escaped as in JSON, and nothing else is. */
export const quoted = (text: string): string => `"${text.replace(/["\\]/g, '\\$&')}"`

/** `no-link` is `NoLink`: names of definitions are names for programs. */
export const nameOf = (id: string): string => id.replace(/(?:^|-)([a-z])/g, (_, letter: string) => letter.toUpperCase())

/** `no-link` is `No link`: for people. */
export const displayOf = (code: string): string => {
  const words = code.replaceAll('-', ' ')
  return `${words.slice(0, 1).toUpperCase()}${words.slice(1)}`
}

export const lines = (...parts: readonly (string | readonly string[])[]): string => `${parts.flat().join('\n')}\n`
