/** Addresses to which a secret may be sent. */

const loopback = /^(localhost|127(\.\d+){3}|\[::1\])$/

/** Whether nobody on the way can read what is sent there: https, or this machine itself. */
export const isPrivate = (text: string): boolean => {
  const url = URL.parse(text)
  return url?.protocol === 'https:' || (url?.protocol === 'http:' && loopback.test(url.hostname))
}
