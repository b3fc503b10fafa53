/** What every measurement works in: the server, the service, its floor, a reading service, and how much to measure. */
import { openClient } from './client.ts'
import { type OpenOrders, openOrders, visitDays } from './copies.ts'
import { residentMb } from './proc.ts'
import { noonZone, type Running, startFloor, startOurs, tokenOf } from './processes.ts'
import { type Receiver, startReceiver } from './receiver.ts'
import { type DatabaseServer, openServer } from './server.ts'

export interface Scale {
  /** How long each side of a comparison is measured. */
  readonly seconds: number
  /** Open orders. */
  readonly few: number
  readonly many: number
  /** How often what takes long by itself is done. */
  readonly times: number
}

export interface World {
  readonly server: DatabaseServer
  readonly receiver: Receiver
  readonly ours: Running
  readonly floor: Running
  /** `postgresql://…` */
  readonly oursDatabase: string
  readonly floorDatabase: string
  readonly orders: OpenOrders
  readonly scale: Scale
  /** Resident megabytes of the service after its start; NaN where they cannot be seen. */
  readonly residentAtStart: number
  /** Says to people what is under way. */
  readonly say: (text: string) => void
  close(): Promise<void>
}

/** The local day of the sites, so many days from now. */
export const localDay = (days = 0): string =>
  new Intl.DateTimeFormat('sv', { timeZone: noonZone() }).format(Date.now() + days * 86_400_000)

/** Of the orders that are sent one by one: apart from the days of the copies, whose evenings are measured. */
export const visitDay = (): string => localDay(visitDays)

const ordersOf = async (ours: Running, database: string): Promise<OpenOrders> => {
  const client = openClient(ours.url, 1, tokenOf('harbour-ehr'))
  return openOrders(database, (body) => client.post('/fhir', body)).finally(() => client.close())
}

export const openWorld = async (scale: Scale, say: (text: string) => void): Promise<World> => {
  const undo: (() => Promise<unknown>)[] = []
  const close = async () => {
    for (const step of undo.splice(0).reverse()) await step()
  }
  try {
    const server = await openServer()
    undo.push(server.stop)
    const receiver = await startReceiver()
    undo.push(receiver.stop)
    const oursDatabase = await server.newDatabase()
    const floorDatabase = await server.newDatabase()
    const ours = await startOurs(server.folder, oursDatabase, receiver.base)
    undo.push(ours.stop)
    const residentAtStart = residentMb(ours.pid)
    const orders = await ordersOf(ours, oursDatabase)
    const floor = await startFloor(server.folder, floorDatabase)
    undo.push(floor.stop)
    return { server, receiver, ours, floor, oursDatabase, floorDatabase, orders, scale, residentAtStart, say, close }
  } catch (error) {
    await close()
    throw error
  }
}
