/** The same orders into a warm HAPI FHIR server, where HAPI_URL names the base of one. */
import { openClient } from './client.ts'
import { drive, inTurns, median } from './load.ts'
import { numbersOf, orderText } from './order-message.ts'
import { tokenOf } from './processes.ts'
import { against, type Line } from './report.ts'
import { visitDay, type World } from './world.ts'

const callers = 64
const rounds = 3
/** Seconds of orders before it is measured: its code is compiled as it runs. */
const warming = 20

/** Before anything is measured. @throws when HAPI_URL is set and nothing of FHIR answers there */
export const askForHapi = async (): Promise<void> => {
  const base = process.env.HAPI_URL
  if (!base) return
  const answer = await fetch(`${base}/metadata`).catch(() => undefined)
  await answer?.body?.cancel()
  if (!answer?.ok) throw new Error(`HAPI_URL is ${base}, and ${base}/metadata answers ${answer?.status ?? 'nothing'}.`)
}

export const measureHapi = async (w: World): Promise<readonly Line[]> => {
  const base = process.env.HAPI_URL
  if (!base) {
    w.say('HAPI_URL is not set: not compared with a HAPI server')
    return []
  }
  w.say('orders into HAPI')
  const [text, number] = [orderText(visitDay()), numbersOf(`H${Date.now().toString(36)}`)]
  const ours = openClient(w.ours.url, callers, tokenOf('harbour-ehr'))
  const hapi = openClient(base, callers)
  try {
    await drive(8, Math.min(warming, 2 * w.scale.seconds), () => hapi.post('', text(number())))
    const [mine = [], theirs = []] = await inTurns(rounds, [
      () => drive(callers, w.scale.seconds / rounds, () => ours.post('/fhir', text(number()))),
      () => drive(callers, w.scale.seconds / rounds, () => hapi.post('', text(number()))),
    ])
    const rate = (slices: typeof mine) => median(slices.map((s) => s.perSecond))
    const line = against(
      `orders, ${callers} callers, and HAPI`,
      '/s',
      rate(mine),
      rate(theirs),
      'a warm HAPI server, same Bundles',
    )
    return [{ ...line, target: { text: '≥ 40 × HAPI (a goal)', holds: (line.ratio ?? 0) >= 40 } }]
  } finally {
    await Promise.all([ours.close(), hapi.close()])
  }
}
