/** Where the commands find the running service, and what they present to it. */
import { bracketed, readSettings } from './environment.ts'
import type { Environment } from './secrets.ts'

/** A service that listens on every address is asked on loopback. */
const reachable = (host: string): string => ({ '0.0.0.0': '127.0.0.1', '::': '::1' })[host] ?? host

/**
 * The service of this machine: the address in `url`, else where HOST and PORT say that it listens. The token is taken
 * from the variable that `tokenEnv` names, so that it does not show in a list of processes.
 */
export const serviceToAsk = (
  environment: Environment,
  { url, tokenEnv }: { url?: string | undefined; tokenEnv?: string | undefined },
): { readonly url: string; readonly token?: string } | { readonly mistake: string } => {
  const token = tokenEnv === undefined ? undefined : environment[tokenEnv]
  if (tokenEnv !== undefined && !token) return { mistake: `--token-env: environment variable ${tokenEnv} is not set` }
  const { settings, mistakes } = readSettings(environment)
  if (url === undefined && mistakes.length > 0) return { mistake: mistakes.join('\n') }
  const address = url ?? `http://${bracketed(reachable(settings.host))}:${settings.port}`
  if (!/^https?:$/.test(URL.parse(address)?.protocol ?? '')) return { mistake: '--url: expected an http or https URL' }
  return { url: address.replace(/\/+$/, ''), ...(token && { token }) }
}
