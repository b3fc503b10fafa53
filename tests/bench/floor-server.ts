/**
 * The floor: what no service of this kind can do without. Takes a body by HTTP, parses it, stores it in one statement
 * that commits, and answers. A process of its own, like the service; DATABASE_URL names its database.
 */
import Fastify from 'fastify'
import { Pool } from 'pg'

const pool = new Pool({ connectionString: process.env.DATABASE_URL, max: 16 })
const app = Fastify()
app.removeAllContentTypeParsers()
app.addContentTypeParser('application/fhir+json', { parseAs: 'string' }, (_request, text, done) => {
  const body = String(text)
  done(null, { body, parsed: JSON.parse(body) as unknown })
})

interface Stored {
  readonly id: string
}

const keep = 'insert into kept (body) values ($1) returning id'

app.post('/fhir', async (request, reply) => {
  const { body } = request.body as { body: string }
  const values = [body]
  const { rows } = await pool.query<Stored>({
    name: 'keep',
    text: 'insert into kept (body) values ($1) returning id',
    values,
  })
  return reply.type('application/fhir+json').send(`{"id":"${rows[0]?.id}"}`)
})

/** What is stored under a key, as it is: the floor of a search. */
app.get<{ Querystring: { key: string } }>('/answers', async (request, reply) => {
  const { rows } = await pool.query<{ body: string }>({
    name: 'answer',
    text: 'select body from answers where key = $1',
    values: [request.query.key],
  })
  return reply
    .code(rows.length > 0 ? 200 : 404)
    .type('application/fhir+json')
    .send(rows[0]?.body)
})

let calls = 0

/** A lock, two rows and a changed one, in one transaction: the floor of a step that must look before it writes. */
app.post('/five', async (request, reply) => {
  const { body } = request.body as { body: string }
  const client = await pool.connect()
  const key = ++calls
  try {
    await client.query(`begin; select pg_advisory_xact_lock(${key})`)
    await client.query({ name: 'keep', text: keep, values: [body] })
    await client.query({ name: 'fact', text: 'insert into facts (id, state) values ($1, $2)', values: [key, body] })
    await client.query({ name: 'change', text: 'update facts set changed = true where id = $1', values: [key] })
    await client.query('commit')
  } finally {
    client.release()
  }
  return reply.type('application/fhir+json').send(`{"id":"${key}"}`)
})

await pool.query(
  `create table if not exists kept (id bigint generated always as identity primary key, body text not null);
   create table if not exists facts (id bigint primary key, changed boolean not null default false, state jsonb not null);
   create table if not exists answers (key text primary key, body text not null)`,
)
const url = await app.listen({ port: 0, host: '127.0.0.1' })
console.log(JSON.stringify({ msg: 'ready', url }))
