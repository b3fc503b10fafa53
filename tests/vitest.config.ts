/**
 * Four kinds of tests: pure ones, ones about the FHIR package (which compile it), ones that meet the real thing (with
 * one database server for all, started when the first asks for it), and ones in containers, skipped by name where no
 * Docker daemon answers.
 *
 * How long a test may take, or wait for something to come true, says that something hangs and never that it is slow:
 * a machine may have a lot else to do.
 *
 * FORBID_SKIPS=1 makes each skipped test a failure; TEST_REPORT=PATH writes the results as JSON besides.
 */
import { defineConfig } from 'vitest/config'
import { SkippedReporter } from './support/skipped-reporter.ts'

const { FORBID_SKIPS, TEST_REPORT } = process.env

const jsonTo = (outputFile: string): ['json', { outputFile: string }] => ['json', { outputFile }]

export default defineConfig({
  test: {
    maxWorkers: 2,
    expect: { poll: { timeout: 60_000 } },
    reporters: ['default', new SkippedReporter(FORBID_SKIPS === '1'), ...(TEST_REPORT ? [jsonTo(TEST_REPORT)] : [])],
    projects: [
      {
        extends: true,
        test: { name: 'pure', include: ['tests/flow/**/*.test.ts', 'tests/support/**/*.test.ts'], testTimeout: 60_000 },
      },
      {
        extends: true,
        test: {
          name: 'profiles',
          include: ['tests/profiles/**/*.test.ts'],
          testTimeout: 300_000,
          hookTimeout: 300_000,
        },
      },
      {
        extends: true,
        test: {
          name: 'real',
          include: ['tests/{adapters,whole,hapi}/**/*.test.ts'],
          globalSetup: ['./tests/support/global-setup.ts', './tests/support/hapi-setup.ts'],
          testTimeout: 300_000,
          hookTimeout: 300_000,
        },
      },
      {
        extends: true,
        test: {
          name: 'containers',
          include: ['tests/containers/**/*.test.ts'],
          testTimeout: 300_000,
          hookTimeout: 300_000,
        },
      },
    ],
  },
})
