/** A counterpart's calls to Daybind, each recorded and held against the contract. */
import { aboutAnswer } from './answers.ts'
import { type Answered, callDaybind, type Daybind } from './calls.ts'
import { type Print, withComplaints } from './played.ts'
import { complaintsIn, type Finding, type Ledger, messageAt } from './rules.ts'

/** One call with what was found in its answer. */
export interface Exchange {
  readonly at: string
  readonly requestId: string
  /** Method and address below the base. */
  readonly line: string
  /** 0: no answer. */
  readonly status: number
  readonly complaints: readonly string[]
}

export interface Conversing {
  readonly daybind: Daybind
  readonly ledger: Ledger
  readonly onExchange?: (exchange: Exchange) => void
}

/** What an answer shows of the contract, besides what holds for each. */
export type Find = (answer: Answered) => readonly Finding[]

export function conversation({ daybind, ledger, onExchange }: Conversing) {
  const exchanges: Exchange[] = []
  return {
    base: daybind.base,
    exchanges,
    /** An answer that did not come shows that alone. */
    async call(
      find: Find,
      method: 'GET' | 'POST' | 'PUT',
      path: string,
      body?: object | string,
      headers?: Readonly<Record<string, string>>,
    ): Promise<Answered> {
      const answer = await callDaybind(daybind, method, path, body, headers)
      const { at, requestId, line, status } = answer
      const findings = [...aboutAnswer(answer), ...(status === 0 ? [] : find(answer))]
      const exchange = { at, requestId, line, status, complaints: complaintsIn(findings) }
      ledger.note(messageAt(at, `${status} ${line}`, requestId), findings)
      exchanges.push(exchange)
      onExchange?.(exchange)
      return answer
    },
  }
}

export type Conversation = ReturnType<typeof conversation>

const exchangeText = ({ at, status, line, complaints }: Exchange): string =>
  withComplaints(`${at} → ${status || 'no answer'} ${line}`, complaints)

/** What a counterpart that is played says to Daybind, printed as it goes; absent where Daybind's address is not known. */
export const printedConversation = (
  daybind: Daybind | undefined,
  ledger: Ledger,
  print: Print,
): Conversation | undefined =>
  daybind &&
  conversation({
    daybind,
    ledger,
    onExchange: (exchange) => print({ ...exchange }, exchangeText(exchange)),
  })

/** What there is to complain about: in what arrived, and in what was answered. */
export const complaintsOf = (arrived: readonly string[], talk: Conversation | undefined): readonly string[] => [
  ...arrived,
  ...(talk?.exchanges ?? []).flatMap((exchange) => exchange.complaints),
]
