/**
 * How the embedded server runs. Given on its command line at each start, which outranks every file and which no
 * `ALTER SYSTEM` undoes. Durability (`fsync`, `full_page_writes`) is PostgreSQL's default and named so that it stays.
 * Source of names and levels: https://www.postgresql.org/docs/18/runtime-config.html
 */
const settings = {
  listen_addresses: '127.0.0.1',
  unix_socket_directories: '',
  max_connections: '100',
  shared_buffers: '128MB',
  timezone: 'UTC',
  log_timezone: 'UTC',
  fsync: 'on',
  full_page_writes: 'on',
  synchronous_commit: 'on',

  // No patient data in the server's log. The first line of an error quotes values ('invalid input syntax for type
  // date: "…"'), its detail whole rows, a failed statement its text and parameters. Of the level `log` are the
  // server's own words; for its log file that level ranks above `error`, so the errors of statements stay out.
  log_min_messages: 'log',
  log_min_error_statement: 'panic',
  log_error_verbosity: 'terse', // without DETAIL, which quotes the statement of a crashed backend
  log_statement: 'none',
  log_min_duration_statement: '-1',
  log_min_duration_sample: '-1',
  log_transaction_sample_rate: '0',
  log_parameter_max_length: '0',
  log_parameter_max_length_on_error: '0',
  log_lock_waits: 'off',
  log_checkpoints: 'off', // every five minutes for years, into a file that only a start renews
}

/** The arguments of `postgres` for a cluster and a port. */
export const serverArguments = (cluster: string, port: number): string[] => [
  '-D',
  cluster,
  '-p',
  String(port),
  ...Object.entries(settings).flatMap(([name, value]) => ['-c', `${name}=${value}`]),
]
