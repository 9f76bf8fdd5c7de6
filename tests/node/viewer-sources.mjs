// Reads the viewer's own source files, the same ones that the site joins, and hands out what they declare.
// The pure files know no page and no clock: an empty context is all they get.
import { readFileSync } from 'node:fs';
import vm from 'node:vm';

const folder = new URL('../../themes/viewer/', import.meta.url);

export function declared(files, names) {
  const text = files.map(file => readFileSync(new URL(file, folder), 'utf8')).join('\n');
  return vm.runInNewContext(`${text}\n;({${names}})`, {});
}
