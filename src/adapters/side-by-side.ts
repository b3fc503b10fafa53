/** So many at once: the database has connections for more, and others want some. */
const width = 4

/** What fails keeps no other one from being done; the first failure is thrown once nothing is under way any more. */
export const sideBySide = async <T>(items: readonly T[], work: (item: T) => Promise<void>): Promise<void> => {
  const rest = items.values()
  const failures: unknown[] = []
  const one = async (item: T) => work(item).catch((error: unknown) => void failures.push(error))
  await Promise.all(
    Array.from({ length: width }, async () => {
      for (const item of rest) await one(item)
    }),
  )
  if (failures.length > 0) throw failures[0]
}
