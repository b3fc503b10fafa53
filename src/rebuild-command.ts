/** `rebuild --check`: whether a database, after a restore from a backup say, holds what its journal says. */
import { openDatabase, usualLimits } from './adapters/postgres/database.ts'
import { checkRebuild } from './adapters/postgres/rebuild.ts'
import { isEqual, rebuildText } from './adapters/postgres/table-check.ts'
import type { Outcome } from './commands.ts'

/** @param url `postgresql://…`; a service may run on it meanwhile */
export const checkRebuildAt = async (url: string): Promise<Outcome> => {
  // it reads whole tables
  const db = openDatabase(url, () => undefined, usualLimits, { enable_seqscan: 'on' })
  try {
    const checks = await checkRebuild(db)
    const ok = checks.every(isEqual)
    const verdict = ok
      ? 'Everything stored is what the journal says.'
      : 'Some of what is stored is not what the journal says.'
    return { ok, text: `${rebuildText(checks)}\n${verdict}` }
  } finally {
    await db.close()
  }
}
