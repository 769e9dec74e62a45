import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.parser.DataFormatException;
import ca.uhn.fhir.parser.StrictErrorHandler;
import ca.uhn.fhir.rest.server.exceptions.InvalidRequestException;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.ResultSeverityEnum;
import ca.uhn.fhir.validation.SingleValidationMessage;
import ca.uhn.fhir.validation.ValidationOptions;
import com.google.gson.JsonArray;
import com.google.gson.JsonObject;
import com.google.gson.JsonParseException;
import java.io.BufferedReader;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.List;
import java.util.Locale;
import java.util.Set;
import java.util.regex.Matcher;
import java.util.regex.Pattern;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirDefaultPolicyAdvisor;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r5.context.IWorkerContext;
import org.hl7.fhir.r5.elementmodel.Element;
import org.hl7.fhir.r5.elementmodel.Manager;
import org.hl7.fhir.r5.model.CanonicalResource;
import org.hl7.fhir.r5.model.CanonicalType;
import org.hl7.fhir.r5.model.StructureDefinition;
import org.hl7.fhir.r5.utils.validation.IResourceValidator;
import org.hl7.fhir.r5.utils.validation.IValidatorResourceFetcher;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;
import org.hl7.fhir.r5.utils.validation.constants.ReferenceValidationPolicy;

/**
 * Validates R4 resources against the core definitions and named profiles, without any network.
 *
 * <p>Arguments: files of definitions (StructureDefinition, ValueSet, CodeSystem), read before anything else. A line on
 * standard input: addresses of profiles separated by spaces (none: R4 core alone), a tab, the resource as JSON on one
 * line, exactly as it would be sent. A line on standard output: a JSON array of what was found, each with severity, id,
 * location and message.
 */
public final class Validate {

  public static void main(String[] definitions) throws IOException {
    FhirValidator validator = validator(definitions);
    PrintStream out = new PrintStream(System.out, false, StandardCharsets.UTF_8);
    System.setOut(System.err); // libraries must not write between the answers
    BufferedReader lines = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8));
    for (String line = lines.readLine(); line != null; line = lines.readLine()) {
      int tab = line.indexOf('\t');
      ValidationOptions options = new ValidationOptions();
      for (String profile : line.substring(0, tab).split(" ")) {
        if (!profile.isEmpty()) {
          options.addProfile(profile);
        }
      }
      out.println(found(validator, line.substring(tab + 1), options));
      out.flush();
    }
  }

  private static FhirValidator validator(String[] definitions) throws IOException {
    FhirContext context = FhirContext.forR4();
    context.setParserErrorHandler(new StrictErrorHandler());
    PrePopulatedValidationSupport ours = new PrePopulatedValidationSupport(context);
    for (String file : definitions) {
      IBaseResource resource = context.newJsonParser().parseResource(Files.readString(Path.of(file)));
      ours.addResource(resource);
    }
    ValidationSupportChain chain =
        new ValidationSupportChain(
            new DefaultProfileValidationSupport(context),
            ours,
            new CommonCodeSystemsTerminologyService(context),
            new InMemoryTerminologyServerValidationSupport(context),
            new SnapshotGeneratingValidationSupport(context));
    FhirInstanceValidator instances = new FhirInstanceValidator(chain);
    instances.setAnyExtensionsAllowed(false);
    instances.setErrorForUnknownProfiles(true);
    instances.setBestPracticeWarningLevel(BestPracticeWarningLevel.Warning);
    instances.setValidatorPolicyAdvisor(new TypesOfReferences());
    instances.setValidatorResourceFetcher(new NoNetwork());
    return context.newValidator().registerValidatorModule(instances);
  }

  private static JsonArray found(FhirValidator validator, String resource, ValidationOptions options) {
    JsonArray found = new JsonArray();
    try {
      for (SingleValidationMessage message : validator.validateWithResult(resource, options).getMessages()) {
        found.add(
            told(message.getSeverity(), message.getMessageId(), message.getLocationString(), message.getMessage()));
      }
    } catch (DataFormatException | InvalidRequestException | JsonParseException unreadable) {
      found.add(told(ResultSeverityEnum.FATAL, "unreadable", "", unreadable.getMessage()));
    }
    return found;
  }

  private static JsonObject told(ResultSeverityEnum severity, String id, String location, String message) {
    JsonObject told = new JsonObject();
    told.addProperty("severity", severity.getCode());
    told.addProperty("id", id);
    told.addProperty("location", location);
    told.addProperty("message", message);
    return told;
  }

  /**
   * What a reference may point to is checked by the type that its address names. A temporary address means something
   * only inside its Bundle, so there it must be somebody's.
   */
  private static final class TypesOfReferences extends FhirDefaultPolicyAdvisor {
    @Override
    public ReferenceValidationPolicy policyForReference(
        IResourceValidator validator, Object application, String path, String url, ReferenceDestinationType type) {
      return path.startsWith("Bundle.") && url.startsWith("urn:")
          ? ReferenceValidationPolicy.CHECK_EXISTS_AND_TYPE
          : ReferenceValidationPolicy.CHECK_TYPE_IF_EXISTS;
    }
  }

  /** Asked wherever a reference could be followed: none can, so an empty resource of the type it names stands in. */
  private static final class NoNetwork implements IValidatorResourceFetcher {
    private static final Pattern ADDRESS = Pattern.compile("([A-Z][A-Za-z]+)/[A-Za-z0-9.-]+(/_history/[A-Za-z0-9.-]+)?");

    @Override
    public Element fetch(IResourceValidator validator, Object application, String url) {
      Matcher address = ADDRESS.matcher(url);
      IWorkerContext context = validator.getContext();
      StructureDefinition type = address.matches() ? context.fetchTypeDefinition(address.group(1)) : null;
      return type == null ? null : Manager.build(context, type);
    }

    @Override
    public boolean resolveURL(
        IResourceValidator validator,
        Object application,
        String path,
        String url,
        String type,
        boolean canonical,
        List<CanonicalType> targets) {
      return true; // not told: that an address leads nowhere cannot be known here
    }

    @Override
    public byte[] fetchRaw(IResourceValidator validator, String url) {
      return null;
    }

    @Override
    public IValidatorResourceFetcher setLocale(Locale locale) {
      return this;
    }

    @Override
    public CanonicalResource fetchCanonicalResource(IResourceValidator validator, Object application, String url) {
      return null;
    }

    @Override
    public boolean fetchesCanonicalResource(IResourceValidator validator, String url) {
      return false;
    }

    @Override
    public Set<ResourceVersionInformation> fetchCanonicalResourceVersions(
        IResourceValidator validator, Object application, String url) {
      return Set.of();
    }
  }

  private Validate() {}
}
