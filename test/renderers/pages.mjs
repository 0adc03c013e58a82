// The pages of the renderers, and the FHIR server behind the same origin, as a
// portal's reverse proxy would have it.
import { createServer, request } from 'node:http';
import { readFile } from 'node:fs/promises';
import { fileURLToPath } from 'node:url';
import { join, normalize } from 'node:path';
import { build } from 'esbuild';

const modules = fileURLToPath(new URL('node_modules/', import.meta.url));
const lforms = join(modules, 'lforms/dist/lforms');

const page = (scripts) => `<!doctype html><html lang="en"><head><meta charset="utf-8"><title>form</title>
  <link rel="stylesheet" href="/files/webcomponent/styles.css"></head><body><div id="form"></div>${scripts}</body></html>`;
const script = (file) => `<script src="/files/${file}"></script>`;

const pages = {
  '/lforms': page(['assets/lib/zone.min.js', 'runtime.js', 'polyfills.js', 'main.js'].map((f) => script(`webcomponent/${f}`)).join('')
    + script('fhir/R4/lformsFHIR.min.js') + `<script>
      window.show = (form) => LForms.Util.addFormToPage(LForms.Util.convertFHIRQuestionnaireToLForms(form, 'R4'), 'form', {});
      window.response = () => LForms.Util.getFormFHIRData('QuestionnaireResponse', 'R4', document.getElementById('form'));
    </script>`),
  '/smart': page('<script src="/smart.js"></script>'),
};

const types = { js: 'text/javascript', css: 'text/css', html: 'text/html' };

export async function serve(base) {
  const bundle = await build({
    entryPoints: [fileURLToPath(new URL('smart.jsx', import.meta.url))], bundle: true, write: false, minify: true, jsx: 'automatic',
    define: { 'process.env.NODE_ENV': '"production"', global: 'window' }, loader: { '.woff': 'empty', '.woff2': 'empty', '.css': 'empty' }, logLevel: 'error',
    platform: 'browser',
  });
  const answer = async (incoming, outgoing) => {
    const { pathname } = new URL(incoming.url, 'http://page');
    const send = (type, body) => outgoing.writeHead(200, { 'Content-Type': type }).end(body);
    if (pathname.startsWith('/fhir')) {
      const url = new URL(base.replace(/\/fhir$/, '') + incoming.url);
      incoming.pipe(request(url, { method: incoming.method, headers: { ...incoming.headers, host: url.host } }, (from) => {
        outgoing.writeHead(from.statusCode, from.headers);
        from.pipe(outgoing);
      }));
    } else if (pages[pathname]) send('text/html', pages[pathname]);
    else if (pathname === '/smart.js') send('text/javascript', bundle.outputFiles[0].contents);
    else if (pathname.startsWith('/files/')) {
      const file = join(lforms, normalize(pathname.slice('/files'.length)));
      send(types[file.split('.').pop()] ?? 'application/octet-stream', await readFile(file));
    } else outgoing.writeHead(404).end();
  };
  const server = createServer((incoming, outgoing) => answer(incoming, outgoing).catch((e) => outgoing.writeHead(404).end(String(e))));
  await new Promise((ready) => server.listen(0, '127.0.0.1', ready));
  return { origin: `http://127.0.0.1:${server.address().port}`, close: () => server.close() };
}
