/** Looks at what is there for TLS before anybody connects with it. Nothing of a key is repeated. */
import { createPrivateKey, X509Certificate } from 'node:crypto'

const certificate = /-----BEGIN CERTIFICATE-----[^-]+-----END CERTIFICATE-----/g

const certificatesIn = (pem: string): readonly X509Certificate[] | undefined => {
  try {
    return (pem.match(certificate) ?? []).map((text) => new X509Certificate(text))
  } catch {
    return undefined
  }
}

/** What is wrong with one or more certificates in PEM, or undefined. */
export const certificateMistake = (pem: string): string | undefined =>
  certificatesIn(pem)?.length ? undefined : 'the file holds no certificate in PEM that can be read'

/** What is wrong with a private key in PEM for TLS, of any kind, or undefined. */
export const tlsKeyMistake = (pem: string): string | undefined => {
  try {
    createPrivateKey(pem)
    return undefined
  } catch {
    return 'the file holds no private key in PEM that can be read without a passphrase'
  }
}

/** Whether the first certificate is that of the key; both were found to be readable. */
export const belongTogether = (cert: string, key: string): boolean =>
  certificatesIn(cert)?.[0]?.checkPrivateKey(createPrivateKey(key)) ?? false
