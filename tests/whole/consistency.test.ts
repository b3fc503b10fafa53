/** The look for contradictions finds what contradicts, and takes nothing for it that a step under way is about to say. */
import { Client } from 'pg'
import { expect, test } from 'vitest'
import { useTestService } from '../support/service.ts'
import { inDatabase, label, link, newPerson, newSerial, operate, orderBundle, out, sendOrder } from './bedside.ts'
import { messageFaults } from './consistency.ts'

const putOnHold = `replace(body, '"status":"active"', '"status":"on-hold"')`

const holdStored = `update resources set body = ${putOnHold} where type in ('ServiceRequest', 'DeviceUseStatement')`

const tellHeld = `insert into deliveries (id, destination, order_id, body, request_id, fate, queued_at)
  select gen_random_uuid(), destination, order_id, ${putOnHold}, request_id, fate, queued_at from deliveries`

const service = useTestService()

const connected = async (): Promise<Client> => {
  const client = new Client({ connectionString: service().database, options: '-c search_path=daybind,public' })
  await client.connect()
  return client
}

/** Waits until so many wait for the resources. */
const untilWaiting = (count: number) =>
  expect
    .poll(
      () =>
        inDatabase(
          service().database,
          `select 1 as x from pg_locks where relation = 'daybind.resources'::regclass and not granted`,
        ),
      { timeout: 30_000, interval: 10 },
    )
    .toHaveLength(count)

test('messages are held against what is stored at the same moment, though a step commits meanwhile', async () => {
  const ordered = await sendOrder(service().as('harbour-ehr'), { person: newPerson() })
  const said = { scan: label(newSerial()), appliedAt: '2026-01-05T08:00:00Z' }
  const { id } = out(await link(service().as('bay-3'), ordered, said), 'link')
  const [step, barrier] = [await connected(), await connected()]
  try {
    await step.query(`begin; ${holdStored}; ${tellHeld}`)
    // it waits for the step, and whoever reads resources waits behind it, with the messages of before where they have been read
    const barred = barrier.query('begin; lock table resources in access exclusive mode')
    await untilWaiting(1)
    const looking = messageFaults(service().database)
    await untilWaiting(2)
    await step.query('commit')
    await barred
    await barrier.query('commit')
    expect(await looking).toEqual([])
  } finally {
    await Promise.all([step.end(), barrier.end()])
  }

  await inDatabase(
    service().database,
    `update resources set body = replace(body, '"on-hold"', '"stopped"') where id = $1`,
    [id],
  )
  expect(await messageFaults(service().database)).toEqual([`sent DeviceUseStatement/${id}: "on-hold", not "stopped"`])
}, 60_000)

test('an order whose links were all in error is told no more, and its message of then is no contradiction', async () => {
  const person = newPerson()
  const [ehr, bay] = [service().as('harbour-ehr'), service().as('bay-3')]
  const ordered = await sendOrder(ehr, { person })
  const said = { scan: label(newSerial()), appliedAt: '2026-01-05T08:00:00Z' }
  const { id } = out(await link(bay, ordered, said), 'link')
  const before = await messageFaults(service().database)
  const corrected = await operate(bay, `DeviceUseStatement/${id}/$correct-link`, { because: 'Wrong.' })
  expect(corrected.status, corrected.text).toBe(200)
  const held = orderBundle(person, ordered.placer.value ?? '', { status: 'on-hold' })
  expect((await ehr('POST', '/fhir', { body: held })).status).toBe(200)
  expect(await messageFaults(service().database)).toEqual(before)
})
