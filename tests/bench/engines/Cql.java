import static java.nio.charset.StandardCharsets.UTF_8;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.parser.IParser;
import com.fasterxml.jackson.databind.JsonNode;
import com.fasterxml.jackson.databind.ObjectMapper;
import com.sun.management.OperatingSystemMXBean;
import java.io.ByteArrayInputStream;
import java.lang.management.ManagementFactory;
import java.nio.file.Files;
import java.nio.file.Path;
import java.time.OffsetDateTime;
import java.util.ArrayList;
import java.util.HashMap;
import java.util.HashSet;
import java.util.List;
import java.util.Map;
import java.util.Set;
import java.util.function.IntPredicate;
import org.apache.commons.lang3.tuple.Pair;
import org.cqframework.cql.cql2elm.LibraryManager;
import org.cqframework.cql.cql2elm.ModelManager;
import org.hl7.elm.r1.VersionedIdentifier;
import org.hl7.fhir.r4.model.Bundle;
import org.hl7.fhir.r4.model.Observation;
import org.hl7.fhir.r4.model.Patient;
import org.opencds.cqf.cql.engine.data.CompositeDataProvider;
import org.opencds.cqf.cql.engine.execution.CqlEngine;
import org.opencds.cqf.cql.engine.execution.Environment;
import org.opencds.cqf.cql.engine.fhir.model.R4FhirModelResolver;
import org.opencds.cqf.cql.engine.retrieve.RetrieveProvider;
import org.opencds.cqf.cql.engine.runtime.DateTime;

/** The simple rule through the Java CQL engine: `Cql FOLDER CASES SECONDS`, as measuring.mjs has it. */
public final class Cql {
    private static final ObjectMapper JSON = new ObjectMapper();
    private static final OperatingSystemMXBean SYSTEM =
        (OperatingSystemMXBean) ManagementFactory.getOperatingSystemMXBean();

    private final IParser parser = FhirContext.forR4Cached().newJsonParser();
    private final R4FhirModelResolver model = new R4FhirModelResolver();
    private final LibraryManager libraries = new LibraryManager(new ModelManager());
    private final VersionedIdentifier rule = new VersionedIdentifier().withId("SimpleRule").withVersion("1.0.0");
    private final Map<String, Set<String>> codes = new HashMap<>();

    private Cql(Path folder) throws Exception {
        var told = JSON.readTree(folder.resolve("simple-rule.json").toFile());
        told.get("codes").properties().forEach(entry -> {
            var own = new HashSet<String>();
            entry.getValue().forEach(code -> own.add(code.asText()));
            codes.put(told.get("value_sets").asText() + entry.getKey(), own);
        });
        var text = Files.readString(folder.resolve("SimpleRule.cql"));
        libraries.getLibrarySourceLoader().registerProvider(wanted -> new ByteArrayInputStream(text.getBytes(UTF_8)));
        libraries.resolveLibrary(rule); // translated once, before anything is timed
    }

    private boolean advances(String since, Bundle bundle) {
        RetrieveProvider chart = (context, path, value, type, template, codePath, wanted, valueSet, a, b, c, range) ->
            type.equals("Patient") ? all(bundle, Patient.class) : observations(bundle, codes.get(valueSet));
        var environment =
            new Environment(libraries, Map.of("http://hl7.org/fhir", new CompositeDataProvider(model, chart)), null);
        var engine = new CqlEngine(environment, Set.of(CqlEngine.Options.EnableExpressionCaching));
        Map<String, Object> given = Map.of("Since", new DateTime(OffsetDateTime.parse(since)));
        var patient = (Patient) all(bundle, Patient.class).get(0);
        var answer = engine.evaluate(
            rule,
            Set.of("Advance"),
            Pair.of("Patient", patient.getIdElement().getIdPart()),
            given,
            null,
            null);
        return Boolean.TRUE.equals(answer.forExpression("Advance").value());
    }

    private static List<Object> all(Bundle bundle, Class<?> type) {
        var found = new ArrayList<Object>();
        for (var entry : bundle.getEntry()) {
            if (type.isInstance(entry.getResource())) found.add(entry.getResource());
        }
        return found;
    }

    private static List<Object> observations(Bundle bundle, Set<String> wanted) {
        var found = all(bundle, Observation.class);
        found.removeIf(one -> ((Observation) one).getCode().getCoding().stream().noneMatch(
            coding -> "http://loinc.org".equals(coding.getSystem()) && wanted.contains(coding.getCode())));
        return found;
    }

    public static void main(String[] arguments) throws Exception {
        var engine = new Cql(Path.of(arguments[0]));
        var seconds = Double.parseDouble(arguments[2]);
        var since = new ArrayList<String>();
        var texts = new ArrayList<String>();
        var parsed = new ArrayList<Bundle>();
        var told = JSON.createObjectNode();
        var verdicts = told.putArray("verdicts");
        for (var line : Files.readAllLines(Path.of(arguments[1]))) {
            JsonNode one = JSON.readTree(line);
            var bundle = engine.parser.parseResource(Bundle.class, one.get("chart").asText());
            verdicts.add(engine.advances(one.get("since").asText(), bundle));
            if (one.get("timed").asBoolean()) {
                since.add(one.get("since").asText());
                texts.add(one.get("chart").asText());
                parsed.add(bundle);
            }
        }
        told.put("on_parsed", pace(since.size(), seconds, i -> engine.advances(since.get(i), parsed.get(i))));
        told.put("on_text", pace(since.size(), seconds, i ->
            engine.advances(since.get(i), engine.parser.parseResource(Bundle.class, texts.get(i)))));
        System.out.println(told);
    }

    /** Cases per second of this process's processor time, collection and compilation included, after a warm-up. */
    private static double pace(int cases, double seconds, IntPredicate run) {
        some(cases, Math.max(10, seconds / 2), run); // the compiler needs its time
        var began = SYSTEM.getProcessCpuTime();
        var patients = some(cases, seconds, run);
        return patients / ((SYSTEM.getProcessCpuTime() - began) / 1e9);
    }

    private static int some(int cases, double seconds, IntPredicate run) {
        var began = SYSTEM.getProcessCpuTime();
        var patients = 0;
        while ((SYSTEM.getProcessCpuTime() - began) / 1e9 < seconds) {
            for (var i = 0; i < cases; i++) run.test(i);
            patients += cases;
        }
        return patients;
    }
}
