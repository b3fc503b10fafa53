/** What every measurement works in: the server, the service, its floor, a reading service, and how long to measure. */
import { type ReadingServiceCounterpart, startReadingService } from '../../src/testkit/reading-service.ts'
import { noonZone, type Running, startFloor, startOurs } from './processes.ts'
import { type DatabaseServer, openServer } from './server.ts'

export interface World {
  readonly server: DatabaseServer
  readonly pebble: ReadingServiceCounterpart
  readonly ours: Running
  readonly floor: Running
  /** `postgresql://…` */
  readonly oursDatabase: string
  readonly floorDatabase: string
  /** How long each side of a comparison is measured. */
  readonly seconds: number
  /** Says to people what is under way. */
  readonly say: (text: string) => void
  close(): Promise<void>
}

/** The local day of the sites. */
export const today = (): string => new Intl.DateTimeFormat('sv', { timeZone: noonZone() }).format(new Date())

export const openWorld = async (seconds: number, say: (text: string) => void): Promise<World> => {
  const undo: (() => Promise<unknown>)[] = []
  const close = async () => {
    for (const step of undo.splice(0).reverse()) await step()
  }
  try {
    const server = await openServer()
    undo.push(server.stop)
    const pebble = await startReadingService()
    undo.push(pebble.stop)
    const oursDatabase = await server.newDatabase()
    const floorDatabase = await server.newDatabase()
    const ours = await startOurs(server.folder, oursDatabase, pebble.base)
    undo.push(ours.stop)
    const floor = await startFloor(server.folder, floorDatabase)
    undo.push(floor.stop)
    return { server, pebble, ours, floor, oursDatabase, floorDatabase, seconds, say, close }
  } catch (error) {
    await close()
    throw error
  }
}
