/** The alerts of the evening: waited for, told, and held against what was open. */
import { setTimeout as sleep } from 'node:timers/promises'
import type { AlertedSite } from '../src/flow/watch-flow/alerts/message.ts'
import type { Deed } from './deeds.ts'
import { listsDiffer } from './evening.ts'
import type { Page, PagerId } from './pager.ts'
import type { Came, Scene } from './scene.ts'

const patienceMs = 15_000

const nextPage = async ({ stage, paged }: Scene, to: PagerId): Promise<Page | undefined> => {
  const deadline = performance.now() + patienceMs
  for (;;) {
    const page = stage.pager.pages.find((p) => p.to === to && !paged.has(p.id))
    if (page !== undefined || performance.now() > deadline) return page
    await sleep(20)
  }
}

/** `no-link TR-30109`: each gap that an alert names. */
const named = ({ gaps }: AlertedSite): readonly string[] =>
  gaps.flatMap((kind) =>
    (kind.gaps ?? []).map(({ order, recorder }) =>
      [kind.gap, order, recorder].filter((part) => part !== undefined).join(' '),
    ),
  )

const names: Readonly<Record<PagerId, string>> = { 'front-desk': 'The front desk', lead: 'The lead' }

export const takeAlert = async (scene: Scene, { to, gaps }: Extract<Deed, { do: 'alert' }>): Promise<Came> => {
  const page = await nextPage(scene, to)
  if (page === undefined) return { wrong: [`no alert for ${to} arrived within ${patienceMs / 1000} s`] }
  scene.paged.add(page.id)
  const { sites, count } = page.message.data
  const kinds = sites.flatMap((s) =>
    s.gaps.map((k) => `${k.count} × ${k.gap}${k.status === 'final' ? '' : ' (not final yet)'}`),
  )
  const wrong = listsDiffer(sites.flatMap(named), gaps)
  return { said: `${names[to]} is told of ${count} gaps: ${kinds.join(', ')}.`, wrong }
}
