/** What somebody may have meant. */

/** Single-character insertions, deletions and replacements between two words, case ignored (Levenshtein's distance). */
const distance = (left: string, right: string): number => {
  const [a, b] = [left.toLowerCase(), right.toLowerCase()]
  let row = Array.from({ length: b.length + 1 }, (_, i) => i)
  for (let i = 1; i <= a.length; i++) {
    const next = [i]
    for (let j = 1; j <= b.length; j++) {
      const replaced = (row[j - 1] ?? 0) + (a[i - 1] === b[j - 1] ? 0 : 1)
      next.push(Math.min(replaced, (row[j] ?? 0) + 1, (next[j - 1] ?? 0) + 1))
    }
    row = next
  }
  return row[b.length] ?? 0
}

/** The candidate closest to a word; none when more than a third of the word would have to change. */
export const nearest = (word: string, candidates: readonly string[]): string | undefined => {
  const limit = Math.max(1, Math.floor(word.length / 3))
  let best: { candidate: string; far: number } | undefined
  for (const candidate of candidates) {
    if (Math.abs(candidate.length - word.length) > limit) continue
    const far = distance(word, candidate)
    if (far <= limit && far < (best?.far ?? Number.POSITIVE_INFINITY)) best = { candidate, far }
  }
  return best?.candidate
}
