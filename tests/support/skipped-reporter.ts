/**
 * Tells at the end which tests this machine could not run, by name and reason. Where everything must run,
 * FORBID_SKIPS=1 makes each of them a failure.
 */
import type { Reporter, TestModule, Vitest } from 'vitest/node'

export interface Skip {
  readonly name: string
  /** What the test gave to `context.skip(…)`. */
  readonly reason: string | undefined
}

const skipsOf = (module: TestModule): Skip[] =>
  [...module.children.allTests('skipped')].map((test) => {
    const result = test.result()
    return { name: test.fullName, reason: result.state === 'skipped' ? result.note : undefined }
  })

/** What is printed, and whether the run has failed for it. Nothing skipped, nothing said. */
export const reportOfSkips = (skips: readonly Skip[], forbidden: boolean): { text: string; failed: boolean } => {
  if (skips.length === 0) return { text: '', failed: false }
  const lines = skips.map(({ name, reason }) => `Skipped here: ${name} — ${reason ?? 'no reason given'}`)
  const verdict = forbidden ? ['Every test must run here (FORBID_SKIPS=1).'] : []
  return { text: `\n${[...lines, ...verdict].join('\n')}\n`, failed: forbidden }
}

export class SkippedReporter implements Reporter {
  readonly #forbidden: boolean
  /** Tests outside a name pattern that somebody asked for are not missed. */
  #selected = false

  constructor(forbidden: boolean) {
    this.#forbidden = forbidden
  }

  onInit(vitest: Vitest): void {
    this.#selected = vitest.config.testNamePattern !== undefined
  }

  onTestRunEnd(modules: readonly TestModule[]): void {
    const skips = this.#selected ? [] : modules.flatMap(skipsOf)
    const { text, failed } = reportOfSkips(skips, this.#forbidden)
    process.stdout.write(text)
    if (failed) process.exitCode = 1
  }
}
