import java.nio.file.Files;
import java.nio.file.Path;
import org.cqframework.cql.cql2elm.CqlCompilerOptions;
import org.cqframework.cql.cql2elm.CqlTranslator;
import org.cqframework.cql.cql2elm.LibraryManager;
import org.cqframework.cql.cql2elm.ModelManager;

/** Translates a CQL file to ELM with the reference translator: `Translate SimpleRule.cql SimpleRule.elm.json`. */
public final class Translate {
    /** Its one warning, of a membership operator, is about conversions that the rule does not use. */
    public static void main(String[] arguments) throws Exception {
        var libraries = new LibraryManager(new ModelManager(), new CqlCompilerOptions());
        var translated = CqlTranslator.fromFile(arguments[0], libraries);
        if (!translated.getErrors().isEmpty()) {
            translated.getErrors().forEach(System.err::println);
            System.exit(1);
        }
        Files.writeString(Path.of(arguments[1]), translated.toJson() + "\n");
    }

    private Translate() {}
}
