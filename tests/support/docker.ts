/** Whether a Docker daemon answers here. Without one that is known at once; a busy one has five seconds. */
import { execFile } from 'node:child_process'
import { promisify } from 'node:util'

export type Daemon = { readonly answers: true } | { readonly answers: false; readonly reason: string }

export const dockerDaemon = async (): Promise<Daemon> => {
  try {
    await promisify(execFile)('docker', ['version', '--format', '{{.Server.Version}}'], { timeout: 5_000 })
    return { answers: true }
  } catch {
    return { answers: false, reason: 'no Docker daemon answers here' }
  }
}
