/** An authority, a server's certificate and a client's, made for one test by openssl; nothing of it is kept. */
import { execFileSync } from 'node:child_process'
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from 'node:fs'
import { tmpdir } from 'node:os'
import { join } from 'node:path'

export interface Pair {
  readonly cert: string
  readonly key: string
}

export interface Certificates {
  readonly ca: string
  readonly caKey: string
  /** For 127.0.0.1. */
  readonly server: Pair
  readonly client: Pair
  /** For another name than 127.0.0.1. */
  readonly elsewhere: Pair
  /** For 127.0.0.1, over since long. */
  readonly expired: Pair
}

export const hasOpenssl = (): boolean => {
  try {
    execFileSync('openssl', ['version'], { stdio: 'ignore' })
    return true
  } catch {
    return false
  }
}

export const makeCertificates = (): Certificates => {
  const folder = mkdtempSync(join(tmpdir(), 'daybind-certificates-'))
  const openssl = (...args: readonly string[]) => execFileSync('openssl', args, { cwd: folder, stdio: 'pipe' })
  const read = (name: string) => readFileSync(join(folder, name), 'utf8')
  const key = ['-newkey', 'ec', '-pkeyopt', 'ec_paramgen_curve:P-256', '-nodes']
  const signed = (name: string, subject: string, extensions: string, ...dates: readonly string[]): Pair => {
    writeFileSync(join(folder, `${name}.ext`), extensions)
    openssl('req', '-new', ...key, '-keyout', `${name}.key`, '-out', `${name}.csr`, '-subj', `/CN=${subject}`)
    const files = ['-in', `${name}.csr`, '-out', `${name}.crt`, '-extfile', `${name}.ext`]
    openssl('x509', '-req', '-CA', 'ca.crt', '-CAkey', 'ca.key', '-CAcreateserial', ...files, ...dates)
    return { cert: read(`${name}.crt`), key: read(`${name}.key`) }
  }
  try {
    openssl('req', '-x509', ...key, '-keyout', 'ca.key', '-out', 'ca.crt', '-days', '2', '-subj', '/CN=Harbour test CA')
    const here = 'subjectAltName=IP:127.0.0.1\n'
    return {
      ca: read('ca.crt'),
      caKey: read('ca.key'),
      server: signed('server', '127.0.0.1', here, '-days', '2'),
      client: signed('client', 'daybind.example', 'extendedKeyUsage=clientAuth\n', '-days', '2'),
      elsewhere: signed('elsewhere', 'other.example', 'subjectAltName=DNS:other.example\n', '-days', '2'),
      expired: signed('expired', '127.0.0.1', here, '-days', '-1'),
    }
  } finally {
    rmSync(folder, { recursive: true })
  }
}
