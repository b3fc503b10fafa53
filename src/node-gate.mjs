/**
 * Stops with one sentence on a Node that is too old. Plain JavaScript: an older Node must be able to read it, and
 * cannot read the rest. Under npm on linux-x64 the Node that the lockfile brings comes first in PATH and passes.
 */
const needed = 24
if (Number(process.versions.node.split('.')[0]) < needed) {
  process.stderr.write(
    `Daybind needs Node ${needed} or later; this is ${process.versions.node} (${process.platform} ${process.arch}): ` +
      'on linux-x64 "npm ci" brings Node 24 for the npm scripts, elsewhere install it.\n',
  )
  process.exit(1)
}
