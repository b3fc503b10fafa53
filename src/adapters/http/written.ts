/** How the answer to a write says what became of it. */
interface Written {
  readonly type: string
  readonly id: string
  readonly outcome: string
  readonly version: number
}

export const statusOfAnswer = ({ outcome }: Written): 200 | 201 => (outcome === 'created' ? 201 : 200)

export const locationOf = (base: () => string, { type, id, version }: Written): string =>
  `${base()}/fhir/${type}/${id}/_history/${version}`
