import { inject } from 'vitest'

/** The base of the HAPI FHIR server that tests share, or the reason why there is none. */
export const hapiServer = async (): Promise<{ readonly base: string } | { readonly lacks: string }> => {
  const answer = await fetch(inject('hapiSource'), { signal: AbortSignal.timeout(600_000) })
  const text = await answer.text()
  return answer.ok ? { base: text } : { lacks: text }
}
