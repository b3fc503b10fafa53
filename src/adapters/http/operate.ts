/** For whoever keeps the service running: is it alive, is it ready. */
import { refusal } from '../../model/problems.ts'
import type { Database } from '../postgres/database.ts'
import { json, problemReply, type Route } from './call.ts'

/**
 * @param closing whether the service has begun to stop
 * @param clockOffBy seconds by which this machine's clock seems to be behind, where others agree that it is wrong
 */
export const operateRoutes = (
  db: Database,
  closing: () => boolean,
  clockOffBy: () => number | undefined,
): readonly Route[] => [
  { method: 'GET', url: '/healthz', may: 'public', step: 'operate', handle: async () => json(200, { alive: true }) },
  {
    method: 'GET',
    url: '/readyz',
    may: 'public',
    step: 'operate',
    handle: async () => {
      if (closing()) return problemReply([refusal('not-ready', '', { note: 'The service is stopping.' })])
      const trouble = await db.trouble()
      return trouble === undefined
        ? json(200, { ready: true, clockOffBySeconds: clockOffBy() })
        : problemReply([refusal('not-ready', '', { note: trouble })])
    },
  },
]
