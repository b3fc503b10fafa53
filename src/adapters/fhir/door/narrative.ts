/**
 * The text for people in a resource: well-formed XHTML in a div, with the elements and attributes that R4 lets in (txt-1)
 * and something to read (txt-2). No script, no form, nothing that acts: what is taken here is shown elsewhere.
 * Source of the two lists: the XPath of txt-1 in http://hl7.org/fhir/R4/narrative.html (StructureDefinition Narrative).
 */

const elements = new Set(
  (
    'a abbr acronym b big blockquote br caption cite code col colgroup dd dfn div dl dt em h1 h2 h3 h4 h5 h6 hr i img li ' +
    'ol p pre q samp small span strong sub sup table tbody td tfoot th thead tr tt ul var'
  ).split(' '),
)

const attributes = new Set(
  (
    'abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign char charoff charset cite ' +
    'class colspan compact coords dir frame headers height href hreflang hspace id lang longdesc name nowrap rel rev ' +
    'rowspan rules scope shape span src start style summary tabindex title type valign value vspace width'
  ).split(' '),
)

const namespace = 'http://www.w3.org/1999/xhtml'

/** A comment, a tag, or text up to the next tag. */
const piece =
  /<!--[\s\S]*?-->|<(\/?)([A-Za-z][\w.:-]*)((?:\s+[^\s=<>/"']+\s*=\s*(?:"[^"<]*"|'[^'<]*'))*)\s*(\/?)>|[^<]+/y
const attribute = /([^\s=<>/"']+)\s*=\s*(?:"([^"]*)"|'([^']*)')/g

const attributeFault = (text: string, isRoot: boolean): string | undefined => {
  let [own, fault]: [boolean, string | undefined] = [false, undefined]
  for (const [, name = '', quoted, apostrophed] of text.matchAll(attribute)) {
    const value = quoted ?? apostrophed ?? ''
    if (name === 'xmlns') {
      own ||= value === namespace
      if (value !== namespace) fault ??= `the namespace ${namespace}`
    } else if (name === 'xml:lang' || name.startsWith('xmlns:')) continue
    else if (!attributes.has(name)) fault ??= 'txt-1: no attributes but those of R4’s narratives'
    else if (/^\s*(?:javascript|vbscript|data):/i.test(value) && (name === 'href' || name === 'cite'))
      fault ??= 'txt-1: no address that acts'
  }
  return fault ?? (isRoot && !own ? `xmlns="${namespace}" on the div` : undefined)
}

const isBlank = (text: string): boolean => /^(?:\s|&nbsp;|&#160;|&#xA0;)*$/i.test(text)

/** @returns what is expected in place of what there is; undefined where nothing is wrong */
export const narrativeFault = (text: string): string | undefined => {
  const open: string[] = []
  let [said, begun] = [false, false]
  const div = text.trim()
  piece.lastIndex = 0
  while (piece.lastIndex < div.length) {
    const from = piece.lastIndex
    const found = piece.exec(div)
    if (found === null || (begun && open.length === 0)) return 'well-formed XHTML in one div'
    const [whole, closes, name, given = '', empty] = found
    if (name === undefined) {
      if (open.length === 0) return 'XHTML in a div element'
      said ||= !whole.startsWith('<!--') && !isBlank(whole)
    } else if (closes) {
      if (given !== '' || open.pop() !== name) return 'well-formed XHTML: every element closed in its place'
    } else {
      if (!begun && (from !== 0 || name !== 'div')) return 'XHTML in a div element'
      if (!elements.has(name)) return 'txt-1: no elements but those of R4’s narratives'
      const fault = attributeFault(given, !begun)
      if (fault !== undefined) return fault
      said ||= name === 'img' && /\bsrc\s*=/.test(given)
      begun = true
      if (!empty) open.push(name)
    }
  }
  if (!begun || open.length > 0) return 'well-formed XHTML: every element closed in its place'
  return said ? undefined : 'txt-2: something to read'
}
