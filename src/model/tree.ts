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
    for (const key of Object.keys(value)) {
      const item = value[key]
      if (typeof item === 'object' && item !== null) visit(item, see, at === '' ? key : `${at}.${key}`)
    }
  }
}

/**
 * The value with `change` applied to every object, the inner ones first. What stays the same is shared with the
 * original: neither may be changed in place.
 */
export const mapTree = <T>(value: T, change: (node: Tree) => Tree): T => {
  const walk = (item: unknown): unknown => {
    if (typeof item !== 'object' || item === null) return item
    if (Array.isArray(item)) {
      const mapped = item.map(walk)
      return mapped.some((inner, i) => inner !== item[i]) ? mapped : item
    }
    // the copy by spreading keeps what the parser noted under a symbol: how numbers were written
    let copy: Record<string, unknown> | undefined
    for (const key of Object.keys(item)) {
      const inner = (item as Tree)[key]
      const mapped = walk(inner)
      if (mapped === inner) continue
      copy ??= { ...item }
      copy[key] = mapped
    }
    return change(copy ?? (item as Tree))
  }
  return walk(value) as T
}

/** JSON with sorted keys: the same text for the same content, whatever the order in which it was written. */
export const canonical = (value: unknown): string => {
  if (Array.isArray(value)) return `[${value.map(canonical).join(',')}]`
  if (!isTree(value)) return JSON.stringify(value) ?? 'null'
  let fields = ''
  for (const key of Object.keys(value).sort())
    if (value[key] !== undefined)
      fields += `${fields === '' ? '' : ','}${/^\w+$/.test(key) ? `"${key}"` : JSON.stringify(key)}:${canonical(value[key])}`
  return `{${fields}}`
}
