/** The archive of evenings: whether its chain is whole, and its newest head under our signature. */
import { CompactSign } from 'jose'
import { accept, type Checked, problemsOf, refusal, refuse } from '../../model/problems.ts'
import type { SigningKeys } from '../../model/signing-key.ts'
import { type ChainCheck, checkChain, type Head } from '../postgres/archive.ts'
import type { Watching } from '../postgres/evenings.ts'
import { type Call, json, problemReply, queryValue, type Reply, type Route, sitesOfCall } from './call.ts'
import { keySetPath } from './key-set.ts'

/** What is signed, byte for byte: the members in this order, without spaces. */
export const signedText = ({ site, position, head }: Head): string => JSON.stringify({ site, position, head })

/** A detached signature (RFC 7515, appendix F): header, nothing, signature. It is verified over `signedText`. */
const sign = async (head: Head, { current }: SigningKeys): Promise<string> => {
  const jws = await new CompactSign(new TextEncoder().encode(signedText(head)))
    .setProtectedHeader({ alg: current.alg, kid: current.kid })
    .sign(current.privateKey)
  const [header, , signature] = jws.split('.')
  return `${header}..${signature}`
}

const printedHead = (call: Call): Checked<string | undefined> => {
  const given = queryValue(call, 'head')
  return given === undefined || /^[0-9a-f]{64}$/.test(given)
    ? accept(given)
    : refuse([
        refusal('wrong-parameter', '', { found: given, expected: '64 hexadecimal digits', location: 'http.head' }),
      ])
}

/** What is broken, or not begun, is not signed: a signature says that we stand by it. */
const told = async (check: ChainCheck, keys: SigningKeys | undefined) => {
  const whole = check.broken === undefined
  const head: Head = { site: check.site, position: check.good, head: check.head }
  return {
    ...check,
    whole,
    ...(whole &&
      check.good > 0 &&
      keys !== undefined && {
        signed: { payload: signedText(head), signature: await sign(head, keys), keys: keySetPath },
      }),
  }
}

const archive =
  (w: Watching, keys: SigningKeys | undefined) =>
  async (call: Call): Promise<Reply> => {
    const [asked, printed] = [sitesOfCall(call, w.parties.sites), printedHead(call)]
    if (!asked.ok || !printed.ok) return problemReply(problemsOf(asked, printed))
    const checks: Awaited<ReturnType<typeof told>>[] = []
    for (const { id } of asked.value.sites) checks.push(await told(await checkChain(w.db, id, printed.value), keys))
    return json(200, asked.value.together ? { sites: checks } : checks[0])
  }

export const archiveRoutes = (w: Watching, keys: SigningKeys | undefined): readonly Route[] => [
  {
    method: 'GET',
    url: '/reports/archive/:site',
    query: ['head'],
    may: ['clinic', 'operator'],
    step: 'watch-flow',
    find: async (call) => problemsOf(sitesOfCall(call, w.parties.sites)),
    handle: archive(w, keys),
  },
]
