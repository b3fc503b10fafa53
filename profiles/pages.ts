/** The definitions as pages for people: no script, readable on paper. */
import type {
  CodeSystem,
  ElementDefinition,
  OperationDefinition,
  OperationDefinitionParameter,
  StructureDefinition,
} from 'fhir/r4.js'
import { html, raw } from 'hono/html'
import type { Definition } from './compile.ts'

type Markup = ReturnType<typeof html>

const style = raw(`
  body { font: 16px/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 72rem; padding: 1rem; color: #1a1a1a; background: #fff }
  h1 { font-size: 1.4rem } h2 { font-size: 1.1rem; margin-top: 1.5rem }
  table { border-collapse: collapse; width: 100% } th, td { text-align: left; vertical-align: top; padding: 0.3rem 0.5rem; border-bottom: 1px solid #bbb }
  td:first-child { font-family: ui-monospace, monospace; font-size: 0.9rem } .small { color: #444; font-size: 0.85rem }
  @media print { body { font-size: 9pt; max-width: none; padding: 0 } a { color: inherit; text-decoration: none } }
`)

const page = (title: string, body: Markup): string =>
  String(html`<!doctype html>
<html lang="en">
<head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>${title}</title><style>${style}</style></head>
<body><h1>${title}</h1>
${body}
<p class="small">Daybind. Not for emergencies; makes no diagnosis. <a href="index.html">All definitions</a></p></body>
</html>
`)

const table = (heads: readonly string[], rows: readonly (readonly (string | Markup)[])[]): Markup =>
  html`<table><thead><tr>${heads.map((head) => html`<th>${head}</th>`)}</tr></thead>
<tbody>${rows.map(
    (cells) => html`<tr>${cells.map((cell) => html`<td>${cell}</td>`)}</tr>
`,
  )}</tbody></table>`

/** The last part of a canonical, without its version. */
const tail = (canonical: string): string => (canonical.split('|')[0] ?? '').split('/').at(-1) ?? ''

const typeOf = ({ code, targetProfile = [], profile = [] }: NonNullable<ElementDefinition['type']>[number]): string => {
  const inner = [...targetProfile, ...profile].map(tail)
  return inner.length > 0 ? `${tail(code)}(${inner.join(' or ')})` : tail(code)
}

/** What the value has to be, where that is said. */
const requiredValue = (element: ElementDefinition): string => {
  const [key, value] = Object.entries(element).find(([name]) => /^(fixed|pattern)[A-Z]/.test(name)) ?? []
  if (key === undefined) return ''
  return typeof value === 'object' ? JSON.stringify(value) : `${value}`
}

const bindingOf = ({ binding }: ElementDefinition): string =>
  binding?.valueSet === undefined ? '' : `${tail(binding.valueSet)} (${binding.strength})`

const elementRow = (element: ElementDefinition): readonly string[] => [
  (element.id ?? element.path).split('.').slice(1).join('.'),
  `${element.min}..${element.max}`,
  (element.type ?? []).map(typeOf).join(' or '),
  [bindingOf(element), requiredValue(element)].filter(Boolean).join('; '),
  element.short ?? '',
]

/** What the profile itself says: the elements of its differential, as they stand in the whole. */
const structurePage = (s: StructureDefinition): string => {
  const said = new Set(s.differential?.element.map((e) => e.id))
  const [root, ...elements] = (s.snapshot?.element ?? []).filter((e, i) => i === 0 || said.has(e.id))
  const rules = [root, ...elements].flatMap((e) => e?.constraint?.filter((c) => c.source === s.url) ?? [])
  return page(
    s.title ?? s.name,
    html`<p>${s.description}</p>
<p class="small">${s.url}, version ${s.version}; ${s.type === 'Extension' ? 'an extension' : `a profile of ${s.type}`}. Elements that are not listed are R4’s.</p>
${table(['Element', 'Cardinality', 'Type', 'Value set or value', 'What it means'], elements.map(elementRow))}
${
  rules.length === 0
    ? ''
    : html`<h2>Rules</h2>${table(
        ['Rule', 'Says', 'FHIRPath'],
        rules.map((c) => [c.key, c.human, c.expression ?? '']),
      )}`
}`,
  )
}

const propertyText = (concept: NonNullable<CodeSystem['concept']>[number], code: string): string => {
  const found = concept.property?.find((p) => p.code === code)
  const value = found?.valueCode ?? found?.valueInteger ?? found?.valueBoolean
  return value === undefined ? '' : `${value}`
}

const codesPage = (c: CodeSystem): string => {
  const properties = (c.property ?? []).map((p) => p.code)
  return page(
    c.title ?? c.name ?? '',
    html`<p>${c.description}</p>
<p class="small">${c.url}, version ${c.version}; a code system.</p>
${table(
  ['Code', 'Means', ...properties],
  (c.concept ?? []).map((each) => [each.code, each.definition ?? '', ...properties.map((p) => propertyText(each, p))]),
)}`,
  )
}

const parameterRows = (p: OperationDefinitionParameter, above = ''): readonly (readonly string[])[] => [
  [
    `${above}${p.name}`,
    `${p.min}..${p.max}`,
    p.type ?? 'parts',
    p.binding === undefined ? '' : `${tail(p.binding.valueSet)} (${p.binding.strength})`,
    p.documentation ?? '',
  ],
  ...(p.part ?? []).flatMap((part) => parameterRows(part, `${above}${p.name}.`)),
]

const addressesOf = (o: OperationDefinition): readonly string[] => [
  ...(o.system ? [`POST /fhir/$${o.code}`] : []),
  ...(o.resource ?? []).flatMap((type) => [
    ...(o.type ? [`POST /fhir/${type}/$${o.code}`] : []),
    ...(o.instance ? [`POST /fhir/${type}/{id}/$${o.code}`] : []),
  ]),
]

const operationPage = (o: OperationDefinition): string => {
  const heads = ['Parameter', 'Cardinality', 'Type', 'Value set', 'What it means']
  const rows = (use: 'in' | 'out') => (o.parameter ?? []).filter((p) => p.use === use).flatMap((p) => parameterRows(p))
  return page(
    o.title ?? o.name,
    html`<p>${o.description}</p><p>${addressesOf(o).join(', ')}</p>
<p class="small">${o.url}, version ${o.version}; an operation.</p>
<h2>Takes</h2>${table(heads, rows('in'))}<h2>Gives</h2>${table(heads, rows('out'))}`,
  )
}

const fileOf = (d: Definition): string => `${d.resourceType}-${d.id}.html`

const pageOf = (d: Definition): string | undefined => {
  const of = d as unknown as StructureDefinition | CodeSystem | OperationDefinition
  if (of.resourceType === 'StructureDefinition') return structurePage(of)
  if (of.resourceType === 'CodeSystem') return codesPage(of)
  return of.resourceType === 'OperationDefinition' ? operationPage(of) : undefined
}

const indexPage = (definitions: readonly Definition[], paged: ReadonlySet<string>): string => {
  const types = [...new Set(definitions.map((d) => d.resourceType))]
  const named = (d: Definition): Markup =>
    paged.has(fileOf(d)) ? html`<a href="${fileOf(d)}">${d.id}</a>` : html`${d.id}`
  return page(
    'What Daybind takes and gives out',
    html`${types.map(
      (type) =>
        html`<h2>${type}</h2>${table(
          ['Id', 'Title', 'What it is'],
          definitions
            .filter((d) => d.resourceType === type)
            .map((d) => [named(d), `${d.title ?? d.name}`, `${d.description ?? ''}`]),
        )}`,
    )}`,
  )
}

/** A page for each profile, extension, code system and operation, and one that leads to them; by file name. */
export const pages = (definitions: readonly Definition[]): ReadonlyMap<string, string> => {
  const all = new Map<string, string>()
  for (const d of definitions) {
    const text = pageOf(d)
    if (text !== undefined) all.set(fileOf(d), text)
  }
  all.set('index.html', indexPage(definitions, new Set(all.keys())))
  return all
}
