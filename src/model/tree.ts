/** Walking FHIR JSON without losing what we do not know: unknown elements and numbers as they were written stay. */

export type Tree = { readonly [key: string]: unknown }

export const isTree = (value: unknown): value is Tree =>
  typeof value === 'object' && value !== null && !Array.isArray(value)

/** Visits every object below `value`, itself first. `at` is its FHIRPath below `prefix`. */
export const visit = (value: unknown, see: (node: Tree, at: string) => void, at = ''): void => {
  if (Array.isArray(value)) {
    for (const [i, item] of value.entries()) visit(item, see, `${at}[${i}]`)
  } else if (isTree(value)) {
    see(value, at)
    for (const [key, item] of Object.entries(value))
      if (typeof item === 'object' && item !== null) visit(item, see, at === '' ? key : `${at}.${key}`)
  }
}

/** A copy in which `change` was applied to every object, the inner ones first. */
export const mapTree = <T>(value: T, change: (node: Tree) => Tree): T => {
  const walk = (item: unknown): unknown => {
    if (Array.isArray(item)) return item.map(walk)
    if (!isTree(item)) return item
    // the copy by spreading keeps what the parser noted under a symbol: how numbers were written
    const copy: Record<string, unknown> = { ...item }
    for (const [key, inner] of Object.entries(item)) copy[key] = walk(inner)
    return change(copy)
  }
  return walk(value) as T
}

/** JSON with sorted keys: the same text for the same content, whatever the order in which it was written. */
export const canonical = (value: unknown): string => {
  if (Array.isArray(value)) return `[${value.map(canonical).join(',')}]`
  if (!isTree(value)) return JSON.stringify(value) ?? 'null'
  const fields = Object.entries(value).filter(([, v]) => v !== undefined)
  fields.sort(([a], [b]) => (a < b ? -1 : 1))
  return `{${fields.map(([k, v]) => `${JSON.stringify(k)}:${canonical(v)}`).join(',')}}`
}
