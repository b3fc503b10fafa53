/**
 * accept-order over HTTP, where a source's server is asked: its notifications, and the operator's view. A notification
 * is a hint to ask sooner and nothing more: what it carries is not looked at, for whoever knows the secret could make it
 * up, and it may come late, twice or never.
 */
import { timingSafeEqual } from 'node:crypto'
import { hookHeader, isNews } from '../../flow/accept-order/subscription-plan.ts'
import { refusal } from '../../model/problems.ts'
import { hintAt, hookSecret, listAskedSources } from '../postgres/asked-sources.ts'
import type { Database } from '../postgres/database.ts'
import { type Call, json, problemReply, type Reply, type Route } from './call.ts'
import { digest } from './callers.ts'

/** Whether it carries the secret that we gave to that source's server; of a source that is not asked nobody has one. */
const isOurs = async (db: Database, call: Call): Promise<boolean> => {
  const secret = await hookSecret(db, call.params.source ?? '')
  const given = digest(call.header(hookHeader.toLowerCase()) ?? '')
  return timingSafeEqual(digest(secret ?? ''), given) && secret !== undefined
}

const takeHint =
  (db: Database, look: () => void) =>
  async (call: Call): Promise<Reply> => {
    if (!(await isOurs(db, call)))
      return problemReply([refusal('login-needed', '', { expected: `${hookHeader}: the secret of the Subscription` })])
    if (isNews(call.body) && !call.dryRun) {
      await hintAt(db, call.params.source ?? '')
      look()
    }
    return { status: 204 }
  }

/**
 * @param ids of the sources that are asked
 * @param look has whoever asks look at once
 */
export const sourceRoutes = (db: Database, ids: readonly string[], look: () => void): readonly Route[] => {
  // HAPI sends an empty form where a Subscription asks for no payload
  const hook = { may: 'public', step: 'accept-order', anyBody: true, handle: takeHint(db, look) } as const
  return [
    { method: 'POST', url: '/hooks/:source', ...hook },
    { method: 'PUT', url: '/hooks/:source/:type/:id', ...hook },
    { method: 'DELETE', url: '/hooks/:source/:type/:id', ...hook },
    {
      method: 'GET',
      url: '/sources',
      query: [],
      may: ['operator'],
      step: 'operate',
      handle: async () => json(200, { sources: await listAskedSources(db, ids) }),
    },
  ]
}
