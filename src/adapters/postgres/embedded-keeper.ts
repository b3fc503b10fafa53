/** Keeps the embedded server running: its life is tied to ours, and when it ends by itself it is started again. */
import { setTimeout as sleep } from 'node:timers/promises'
import type { EmbeddedOptions } from './embedded.ts'
import { endLeftBehind, type Place, type Postmaster, startPostmaster, stopPostmaster } from './embedded-postmaster.ts'

export interface KeptServer {
  /** Stays the same over losses. */
  readonly port: number
  pid(): number
  /** Ends it for good, or the attempt to start it again. */
  stop(): Promise<void>
}

/** The first pause before a lost server is started again; each further one is twice as long, up to the longest. */
const firstPauseMs = 100
const longestPauseMs = 30_000
/** A server that lived so long was sound: the pauses begin anew. */
const soundAfterMs = 60_000

/** @throws CannotStart when the first start fails; later ones are told and tried again */
export const keepServer = async (
  where: Omit<Place, 'giveUp'>,
  { log, onLoss = log, giveUp }: EmbeddedOptions,
): Promise<KeptServer> => {
  const ending = new AbortController()
  const place: Place = { ...where, giveUp: giveUp ? AbortSignal.any([ending.signal, giveUp]) : ending.signal }
  let server = await startPostmaster(place)
  let since = performance.now()
  let pause = firstPauseMs
  let reviving: Promise<void> = Promise.resolve()

  const told = (word: string) =>
    log(
      `The embedded database ${word} on 127.0.0.1:${server.port} with its data in ${place.cluster} (process ${server.pid}).`,
    )
  const endWithUs = () => void server.child.kill('SIGINT')
  process.on('exit', endWithUs)

  const watch = ({ child }: Postmaster): void => {
    const lost = (code: number | null, signal: string | null): void => {
      if (ending.signal.aborted) return
      onLoss(`The embedded database ended by itself (${signal ?? `status ${code}`}).`)
      if (performance.now() - since > soundAfterMs) pause = firstPauseMs
      reviving = revive()
    }
    // it may have ended before anybody listened
    if (child.exitCode !== null || child.signalCode !== null) lost(child.exitCode, child.signalCode)
    else child.once('exit', lost)
  }
  const revive = async (): Promise<void> => {
    let said = ''
    while (!place.giveUp.aborted) {
      await sleep(pause, undefined, { signal: place.giveUp, ref: false }).catch(() => undefined)
      if (place.giveUp.aborted) return
      pause = Math.min(pause * 2, longestPauseMs)
      try {
        // a number in its lock file that went to a stranger would make it refuse
        await endLeftBehind(place.cluster)
        server = await startPostmaster(place, server.port)
        since = performance.now()
        told('runs again')
        return watch(server)
      } catch (error) {
        const why = error instanceof Error ? error.message : String(error)
        if (why !== said && !place.giveUp.aborted) log(why)
        said = why
      }
    }
  }

  told('runs')
  watch(server)
  return {
    port: server.port,
    pid: () => server.pid,
    stop: async () => {
      ending.abort()
      await reviving
      await stopPostmaster(server.child)
      process.off('exit', endWithUs)
    },
  }
}
