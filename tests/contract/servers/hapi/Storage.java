package andante;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.binary.api.IBinaryStorageSvc;
import ca.uhn.fhir.jpa.binstore.MemoryBinaryStorageSvcImpl;
import ca.uhn.fhir.jpa.config.HapiJpaConfig;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import ca.uhn.fhir.jpa.subscription.match.config.SubscriptionProcessorConfig;
import ca.uhn.fhir.jpa.subscription.match.deliver.email.IEmailSender;
import ca.uhn.fhir.jpa.subscription.submit.config.SubscriptionSubmitterConfig;
import ca.uhn.fhir.jpa.topic.SubscriptionTopicConfig;
import jakarta.persistence.EntityManagerFactory;
import java.util.Map;
import javax.sql.DataSource;
import org.h2.jdbcx.JdbcConnectionPool;
import org.hl7.fhir.dstu2.model.Subscription.SubscriptionChannelType;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Configuration;
import org.springframework.context.annotation.Import;
import org.springframework.context.annotation.Primary;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;

/** What the server keeps and how: HAPI's defaults, but for what is said here. */
@Configuration
@Import({
    JpaR4Config.class,
    HapiJpaConfig.class,
    ThreadPoolFactoryConfig.class,
    Batch2JobsConfig.class,
    JpaBatch2Config.class,
    SubscriptionChannelConfig.class,
    SubscriptionSubmitterConfig.class,
    SubscriptionProcessorConfig.class,
    SubscriptionTopicConfig.class,
})
public class Storage {
    private static final int CONNECTIONS = 40;

    @Bean
    public JpaStorageSettings storageSettings() {
        var settings = new JpaStorageSettings();
        settings.setAllowMultipleDelete(true); // both for $expunge, by which the tests empty it
        settings.setExpungeEnabled(true);
        return settings;
    }

    @Bean
    public PartitionSettings partitionSettings() {
        return new PartitionSettings();
    }

    @Bean
    public SubscriptionSettings subscriptionSettings() {
        var settings = new SubscriptionSettings();
        settings.addSupportedSubscriptionType(SubscriptionChannelType.RESTHOOK);
        return settings;
    }

    @Bean
    public IEmailSender emailSender() {
        return details -> {
            throw new UnsupportedOperationException("this server sends no mail");
        };
    }

    @Bean
    public IBinaryStorageSvc binaryStorage() {
        return new MemoryBinaryStorageSvcImpl();
    }

    @Bean(destroyMethod = "dispose")
    public JdbcConnectionPool dataSource() {
        var pool = JdbcConnectionPool.create("jdbc:h2:mem:fhir;DB_CLOSE_DELAY=-1", "sa", "");
        pool.setMaxConnections(CONNECTIONS);
        return pool;
    }

    @Bean
    public LocalContainerEntityManagerFactoryBean entityManagerFactory(
            ConfigurableListableBeanFactory beans, DataSource source, FhirContext fhir, JpaStorageSettings settings) {
        var factory = HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, fhir, settings);
        factory.setPersistenceUnitName("HAPI_PU");
        factory.setDataSource(source);
        factory.setJpaPropertyMap(Map.of(
            "hibernate.dialect", HapiFhirH2Dialect.class.getName(),
            "hibernate.hbm2ddl.auto", "create",
            "hibernate.search.enabled", "false"));
        return factory;
    }

    @Bean
    @Primary
    public JpaTransactionManager transactionManager(EntityManagerFactory factory) {
        return new JpaTransactionManager(factory);
    }
}
